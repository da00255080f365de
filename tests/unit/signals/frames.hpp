// Frames and maps for tests of signals.
#pragma once

#include <gtest/gtest.h>

#include <optional>
#include <span>
#include <string>

#include "config/signal_map_file.hpp"
#include "items/can_frame_text.hpp"

namespace cw::test {

inline CanFrame frame_of(const std::string& text) {
  const auto parsed = parse_can_frame(text);
  EXPECT_TRUE(std::holds_alternative<CanFrame>(parsed)) << text;
  return std::holds_alternative<CanFrame>(parsed) ? std::get<CanFrame>(parsed) : CanFrame{};
}

// A map of config/can.
inline SignalMap ready_map(const std::string& name) {
  const auto loaded = load_signal_map(CRANKWITNESS_SOURCE_DIR "/config/can/" + name + ".toml");
  const auto* error = std::get_if<ConfigError>(&loaded);
  EXPECT_EQ(error, nullptr) << error->message;
  return error == nullptr ? std::get<SignalMapFile>(loaded).map : SignalMap{};
}

// The value of a signal in a frame; nothing when it is not there or not known.
inline std::optional<double> value_in(const SignalMap& map, const std::string& frame, SignalName name) {
  SignalReadings out;
  for (const SignalReading& reading : read_signals(map, frame_of(frame), out)) {
    if (reading.signal->name == name) {
      return reading.unknown == Unknown::none ? std::optional(reading.value) : std::nullopt;
    }
  }
  return std::nullopt;
}

// Why a signal that is in a frame is not known; nothing when it is not there.
inline std::optional<Unknown> unknown_in(const SignalMap& map, const std::string& frame, SignalName name) {
  SignalReadings out;
  for (const SignalReading& reading : read_signals(map, frame_of(frame), out)) {
    if (reading.signal->name == name) {
      return reading.unknown;
    }
  }
  return std::nullopt;
}

}  // namespace cw::test
