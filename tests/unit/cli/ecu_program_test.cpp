// Edges, a CAN log and a signal map through the real program: compared, recorded with the map, replayed and recovered.
#include <gtest/gtest.h>

#include <cstdio>

#include "replay_trial.hpp"

namespace cw {
namespace {

using test::Ended;
using test::file_text;
using test::run_program;
using test::write_text;

constexpr const char* can_section = "\n[[can]]\nmap = \"ecu.toml\"\n";

// Engine speed in quarters in bytes 0 and 1, state in byte 2; a DBC with a letter that is no UTF-8 says where.
constexpr const char* dbc_text =
    "VERSION \"\"\nBU_: ECU\nBO_ 256 Engine: 3 ECU\n SG_ Speed : 0|16@1+ (0.25,0) [0|16000] \"rpm\" X\n"
    " SG_ Sync : 16|8@1+ (1,0) [0|255] \"\" X\nCM_ SG_ 256 Sync \"Z\xfcndung\";\n";
constexpr const char* map_text =
    "name = \"trial ECU\"\ndbc = \"ecu.dbc\"\n[[signal]]\nname = \"engine_speed\"\ndbc_signal = \"Speed\"\n"
    "[[signal]]\nname = \"sync_state\"\ndbc_signal = \"Sync\"\n"
    "values = { 0 = \"no-signal\", 3 = \"cycle-locked\", 4 = \"lost\" }\n";

// Six seconds at 3,000 rpm; the ECU says a speed and from 3 s on for 0.2 s that it has lost sync.
struct EcuTrial : test::ReplayTrial {
  explicit EcuTrial(unsigned said_rpm = 3000)
      : ReplayTrial(std::string(test::trial_engine) + can_section, 6, lines_of(said_rpm)) {
    write_text(map, map_text);
    write_text(folder / "ecu.dbc", dbc_text);
  }

  static std::string lines_of(unsigned said_rpm) {
    std::string lines;
    for (int i = 0; i < 600; ++i) {
      const unsigned raw = said_rpm * 4;
      char line[64];
      std::snprintf(line, sizeof line, "(%d.%06d) can0 100#%02X%02X%02X\n", i / 100, i % 100 * 10'000, raw & 255U,
                    raw >> 8U, i >= 300 && i < 320 ? 4U : 3U);
      lines += line;
    }
    return lines;
  }

  const std::string map = folder / "ecu.toml";
};

TEST(EcuProgram, compares_and_its_session_replays_alike_without_the_files_of_map_and_dbc) {
  const EcuTrial trial;
  const std::string s = trial.folder / "s";
  const Ended ended = trial.replay({trial.edges, trial.log, "--same-clock", "--engine", trial.engine, "--out", s});
  EXPECT_EQ(ended.code, 0) << ended.err;
  EXPECT_NE(ended.out.find("ECU lost sync on clean signal"), std::string::npos) << ended.out;
  EXPECT_NE(ended.out.find("ECU           heard for"), std::string::npos) << ended.out;
  EXPECT_EQ(ended.out.find("what the ECU says on CAN"), std::string::npos) << ended.out;
  EXPECT_NE(file_text(s + "/trend.csv").find(",3000.000,cycle-locked,,yes,"), std::string::npos);
  std::remove(trial.map.c_str());
  std::remove((trial.folder / "ecu.dbc").c_str());
  EXPECT_EQ(trial.replay({s, "--out", trial.folder / "again"}).code, 0);
  EXPECT_EQ(run_program(trial.folder, {"recover", s, "--out", trial.folder / "recovered"}).code, 0);
  EXPECT_EQ(trial.replay({trial.folder / "recovered", "--out", trial.folder / "third"}).code, 0);
  for (const char* file : {"/events.jsonl", "/trend.csv"}) {
    EXPECT_EQ(file_text((trial.folder / "again") + file), file_text(s + file));
    EXPECT_EQ(file_text((trial.folder / "third") + file), file_text(s + file));
  }
}

TEST(EcuProgram, replays_a_session_with_the_maps_of_another_engine_file) {
  const EcuTrial trial;
  const std::string s = trial.folder / "s";
  EXPECT_EQ(trial.replay({trial.edges, trial.log, "--same-clock", "--engine", trial.engine, "--out", s}).code, 0);
  std::string text = map_text;
  text.replace(text.find("\"Speed\""), 7, "\"Speed\"\nscale = 0.5");
  write_text(trial.map, text);
  const Ended ended = trial.replay({s, "--engine", trial.engine});
  EXPECT_NE(ended.out.find("ECU speed disagrees"), std::string::npos) << ended.out;
}

TEST(EcuProgram, watches_a_can_log_alone_and_says_what_cannot_be_known) {
  const EcuTrial trial;
  const Ended ended = trial.replay({trial.log, "--engine", trial.engine});
  EXPECT_EQ(ended.code, 0) << ended.err;
  EXPECT_NE(ended.out.find("ECU lost sync"), std::string::npos) << ended.out;
  EXPECT_NE(ended.out.find("No edge seen: only what the ECU says of itself was watched. 1 fault"), std::string::npos)
      << ended.out;
  const Ended json = trial.replay({trial.log, "--engine", trial.engine, "--json"});  // whose lines are not wrapped
  EXPECT_NE(json.out.find("whether what the ECU says is so"), std::string::npos) << json.out;
}

TEST(EcuProgram, says_when_nothing_of_its_map_came) {
  const EcuTrial trial;
  const Ended ended = trial.replay({trial.edges, "--engine", trial.engine, "--json"});
  EXPECT_NE(ended.out.find("nothing that its signal map reads has come"), std::string::npos) << ended.out;
}

TEST(EcuProgram, refuses_a_map_that_is_not_there) {
  const EcuTrial trial;
  std::remove(trial.map.c_str());
  const Ended ended = trial.replay({trial.log, "--engine", trial.engine});
  EXPECT_EQ(ended.code, 2);
  EXPECT_NE(ended.err.find("ecu.toml"), std::string::npos) << ended.err;
}

TEST(EcuProgram, check_says_what_is_compared_and_what_can_not_be_known) {
  const EcuTrial trial;
  const Ended ended = run_program(trial.folder, {"check", trial.engine});
  EXPECT_EQ(ended.code, 0) << ended.err;
  for (const char* words :
       {"What the ECU says, against the edges", "Engine speed: told when", "no spark_advance", "With CAN alone"}) {
    EXPECT_NE(ended.out.find(words), std::string::npos) << words << '\n' << ended.out;
  }
}

}  // namespace
}  // namespace cw
