#include "report/page_parts.hpp"

#include <array>
#include <cstddef>

#include "report/finding_words.hpp"
#include "report/html.hpp"
#include "report/report_page.hpp"

namespace cw {

std::string page_head(const std::string& title) {
  return "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
         "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
         "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
         "img-src data:\">\n"
         "<link rel=\"icon\" href=\"data:,\">\n<title>" +
         escaped(title) + "</title>\n<style>" + std::string(page_style()) + "</style>\n</head>\n<body>\n";
}

std::string contents(bool with_wheel) {
  struct Part {
    const char* id;
    const char* name;
  };
  static constexpr std::array parts = {
      Part{"checks", "Checks"},      Part{"timeline", "Time line"},       Part{"findings", "Findings"},
      Part{"evidence", "Raw edges"}, Part{"offset", "Offset and delay"},  Part{"wheel", "Wheel"},
      Part{"ecu", "ECU on CAN"},     Part{"links", "Links and clock"},    Part{"settings", "Settings"},
      Part{"cautions", "Cautions"},  Part{"limits", "What it can't know"}};
  std::string out = "<nav aria-label=\"Parts of this report\"><ul>\n";
  for (const Part& part : parts) {
    if (with_wheel || std::string_view(part.id) != "wheel") {
      out += "<li><a href=\"#" + std::string(part.id) + "\">" + part.name + "</a></li>\n";
    }
  }
  return out + "</ul></nav>\n";
}

std::string evidence_key() {
  const auto entry = [](const std::string& drawing, const std::string& words) {
    return "<li><svg viewBox=\"0 0 26 16\" aria-hidden=\"true\">" + drawing + "</svg>" + words + "</li>\n";
  };
  return "<ul class=\"key\">\n" + entry("<path class=\"tooth\" d=\"M13 2L13 14\"/>", "expected tooth") +
         entry(
             "<path class=\"edge\" d=\"M7 14L7 3M19 14L19 3\"/><path class=\"edge-head\" d=\"M7 0L10 5L4 5ZM19 16L22 "
             "11L16 11Z\"/>",
             "edge where it should be, rising or falling") +
         entry("<path class=\"odd\" d=\"M13 15L13 4M10 1L16 7M10 7L16 1\"/>", "edge too many, or out of place") +
         entry("<path class=\"miss\" d=\"M13 2L19 8L13 14L7 8Z\"/>", "expected, no edge came") +
         entry("<path class=\"edge-unplaced\" d=\"M13 15L13 1\"/>", "edge while the position was not known") +
         entry("<path class=\"edge-other\" d=\"M13 15L13 7\"/>", "edge of the other direction, not used") +
         entry("<rect class=\"span\" x=\"3\" y=\"2\" width=\"20\" height=\"12\"/>", "where an edge may come") +
         "</ul>\n";
}

std::string caution_html() {
  static constexpr std::array cautions = {
      "crankwitness is an observer, not a safety device: it listens, drives nothing and protects nothing.",
      "After a cam step: stop, don't restart or crank, turn by hand. On an interference engine valves can meet "
      "pistons.",
      "Fuel off for cranking tests, always; ignition off unless spark is being measured. Neutral, wheels chocked, a "
      "second "
      "person, a kill switch that does not depend on this computer, extinguisher, ventilation, hearing and eye "
      "protection; "
      "respect the starter's duty.",
      "A strobe makes moving parts look still; stay out of the plane of fan, damper and wheel; leads clear of belts. "
      "Never fire "
      "a coil into an open lead; no spark near open plug holes; ignition systems are dangerous to people with "
      "pacemakers.",
      "Piston stop: by hand only, battery disconnected. In a car: secure it, and never operate the computer while "
      "driving.",
      "After any new offset: check again cranking with fuel off, then idle, then two speeds unloaded, before load. A "
      "wrong sign "
      "or turn can break starters, backfire or melt pistons.",
      "Tapping: high-impedance, buffered or isolated, at the ECU pins, referenced to sensor ground; never the primary "
      "of a coil "
      "(hundreds of volts). A bad tap can itself lose the ECU's sync.",
      "Follow the site's rules, local codes and the engine maker's data; a qualified person decides."};
  std::string out = "<div class=\"caution\"><ul>\n";
  for (const char* caution : cautions) {
    out += "<li>" + escaped(caution) + "</li>\n";
  }
  return out + "</ul></div>\n";
}

std::vector<std::string> limits_of_knowledge(const Engine& engine) {
  std::vector<std::string> out = {
      "TDC rests on the trigger offset in the engine file. If file and ECU share an error, the deviation is 0.",
      "\"Clean\" means clean at our tap, not at the ECU's input stage.",
      "A crank wheel that moves takes the ECU along: the deviation stays 0, and only the cams show it.",
      "A belt that jumps at the crank pulley looks like a wheel that moved: one cam alone can't tell them apart.",
      "A timing light, or a mark in every turn, can't see a whole turn: the compression stroke stays unverified.",
      "\"No fault seen\" means just that: what was not watched may be anything."};
  if (engine.reference && engine.reference->period_deg < engine.cycle_deg) {
    out.emplace_back("In this engine file the mark comes in every turn: it was judged modulo 360 degrees.");
  }
  return out;
}

std::string_view basis_word(const Engine& engine) {
  switch (engine.crank.offset_basis) {
    case OffsetBasis::piston_stop:
      return "piston stop";
    case OffsetBasis::verified_mark:
      return "light on a verified mark";
    case OffsetBasis::unverified:
      break;
  }
  return "agrees with the file only (unverified)";
}

std::string offset_basis_words(const Engine& engine) {
  const std::string offset =
      "The trigger offset of the engine file is " + fixed(engine.crank.trigger_offset_deg, 2) + " degrees. ";
  switch (engine.crank.offset_basis) {
    case OffsetBasis::piston_stop:
      return offset + "It was found with a piston stop.";
    case OffsetBasis::verified_mark:
      return offset + "It was found with a light on a verified mark.";
    case OffsetBasis::unverified:
      break;
  }
  return offset +
         "It rests on nothing physical (unverified): what follows says whether the ECU agrees with the file, not "
         "whether either is right.";
}

std::string gap_reason_words(GapReason reason) {
  static constexpr std::array<const char*, 7> words = {
      "the device says that it lost edges",   "the link was lost",        "this program was too busy (queue full)",
      "input that could not be read",         "the recorder fell behind", "the kernel lost bytes of a serial port",
      "the kernel had no room for CAN frames"};
  const auto index = static_cast<std::size_t>(reason);
  return index < words.size() ? words.at(index) : "unknown";
}

std::string session_id_words(std::uint64_t id) {
  static constexpr std::string_view digits = "0123456789abcdef";
  std::string out;
  for (int shift = 60; shift >= 0; shift -= 4) {
    out += digits[(id >> static_cast<unsigned>(shift)) & 15U];
  }
  return out;
}

std::string source_words(const SourceInfo& source) {
  std::string out = source.driver + " at " + source.address;
  for (std::size_t i = 0; i < source.channels.size(); ++i) {
    out += (i == 0 ? "; " : ", ") + source.channels[i].first + " = " + source.channels[i].second;
  }
  return out;
}

}  // namespace cw
