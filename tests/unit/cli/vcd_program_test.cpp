// VCD and channel names through the real program, and with a real peer: sigrok-cli, which writes VCD from its demo
// device and reads it back, and Icarus Verilog, whose simulations dump VCD (Debian packages sigrok-cli, iverilog;
// `./bootstrap test` installs them).
#include <gtest/gtest.h>

#include <cstdlib>
#include <map>
#include <sstream>

#include "record/capture_reader.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::Ended;
using test::run_program;
using test::ScratchFolder;

// The edges of a CSV file as VCD in ns; a channel begins at the level that its first edge leaves.
std::string vcd_of(const std::string& csv, const std::map<std::string, std::string>& names) {
  std::istringstream lines(csv);
  std::string line;
  std::getline(lines, line);
  std::map<std::string, std::pair<char, char>> known;  // name -> code, first level
  std::string changes;
  std::string last_time;
  while (std::getline(lines, line)) {
    const std::size_t first = line.find(',');
    const std::size_t second = line.find(',', first + 1);
    const std::string time = line.substr(0, first);
    const std::string name = line.substr(first + 1, second - first - 1);
    const bool rises = line[second + 1] == 'r';
    const auto code = static_cast<char>('$' + known.size());
    const auto& entry = known.try_emplace(name, code, rises ? '0' : '1').first->second;
    changes += time == last_time ? "" : "#" + time + "\n";
    last_time = time;
    changes += (rises ? std::string("1") : std::string("0")) + entry.first + "\n";
  }
  std::string head = "$timescale 1 ns $end\n$scope module bench $end\n";
  std::string initial = "$enddefinitions $end\n$dumpvars\n";
  for (const auto& [name, entry] : known) {
    const auto other = names.find(name);
    head +=
        "$var wire 1 " + std::string(1, entry.first) + " " + (other == names.end() ? name : other->second) + " $end\n";
    initial += std::string(1, entry.second) + entry.first + "\n";
  }
  return head + "$upscope $end\n" + initial + "$end\n" + changes;
}

// The trial engine's edges with the ends of the teeth as well, so that every falling edge has a rising one before the
// next: VCD can't say "falling" twice.
std::string two_sided_csv() {
  std::string text = "t_ns,channel,edge\n";
  std::vector<std::pair<std::int64_t, std::string>> lines;
  for (const test::TrialEdge& edge : test::trial_edges(3000, 4, 777)) {
    const std::string rest = edge.line.substr(edge.line.find(','));
    lines.emplace_back(edge.t_ns, rest);
    lines.emplace_back(edge.t_ns + 100'000, rest.substr(0, rest.size() - 2) + "r\n");
  }
  std::sort(lines.begin(), lines.end());
  for (const auto& [t_ns, rest] : lines) {
    text += std::to_string(t_ns) + rest;
  }
  return text;
}

struct VcdTrial {
  VcdTrial() {
    test::write_text(engine, test::trial_engine);
    test::write_text(csv, two_sided_csv());
  }
  void write_vcd(const std::map<std::string, std::string>& names) const {
    test::write_text(vcd, vcd_of(test::file_text(csv), names));
  }
  void expect_same_session(const std::string& one, const std::string& other) const {
    for (const char* name : {"/events.jsonl", "/trend.csv"}) {
      const std::string text = test::file_text(folder / one + name);
      EXPECT_FALSE(text.empty());
      EXPECT_EQ(test::file_text(folder / other + name), text);
    }
  }
  Ended replay(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), "replay");
    return run_program(folder, arguments);
  }
  const ScratchFolder folder;
  const std::string engine = folder / "engine.toml";
  const std::string csv = folder / "edges.csv";
  const std::string vcd = folder / "edges.vcd";
};

const std::map<std::string, std::string> device_names = {{"crank", "D0"}, {"cam1", "D1"}, {"ref", "D2"}};

TEST(VcdReplay, of_the_same_edges_gives_the_same_bytes_as_of_csv) {
  const VcdTrial trial;
  trial.write_vcd({});
  ASSERT_EQ(trial.replay({trial.csv, "--engine", trial.engine, "--out", trial.folder / "csv"}).code, 0);
  const Ended ended = trial.replay({trial.vcd, "--engine", trial.engine, "--out", trial.folder / "vcd"});
  ASSERT_EQ(ended.code, 0) << ended.err;
  trial.expect_same_session("csv", "vcd");
  EXPECT_NE(test::file_text(trial.folder / "vcd/events.jsonl").find("\"kind\":\"missed-edge\""), std::string::npos);
}

TEST(VcdReplay, takes_channel_names_from_the_command_line_or_the_engine_file) {
  const VcdTrial trial;
  trial.write_vcd(device_names);
  ASSERT_EQ(trial.replay({trial.csv, "--engine", trial.engine, "--out", trial.folder / "csv"}).code, 0);
  const Ended ended = trial.replay({trial.vcd, "--engine", trial.engine, "--channels", "crank=D0,cam1=bench.D1,ref=D2",
                                    "--out", trial.folder / "named"});
  ASSERT_EQ(ended.code, 0) << ended.err;
  trial.expect_same_session("csv", "named");
  const std::string info = test::file_text(trial.folder / "named/session.toml");
  EXPECT_NE(info.find("bench.D1"), std::string::npos) << info;

  test::write_text(trial.engine, test::trial_engine +
                                     "\n[[source]]\ndriver = \"vcd\"\naddress = \"-\"\n"
                                     "channels = { crank = \"D0\", cam1 = \"D1\", ref = \"D2\" }\n");
  ASSERT_EQ(trial.replay({trial.vcd, "--engine", trial.engine, "--out", trial.folder / "file"}).code, 0);
  trial.expect_same_session("csv", "file");
  ASSERT_EQ(trial.replay({trial.csv, "--engine", trial.engine, "--out", trial.folder / "own"}).code, 0);
  trial.expect_same_session("csv", "own");
  ASSERT_EQ(trial.replay({trial.folder / "file", "--out", trial.folder / "again"}).code, 0);
  trial.expect_same_session("csv", "again");
  EXPECT_EQ(
      run_program(trial.folder, {"run", trial.engine, "--source", "vcd:-", "--out", trial.folder / "live"}, trial.vcd)
          .code,
      0);
  EXPECT_NE(test::file_text(trial.folder / "live/events.jsonl").find("\"kind\":\"missed-edge\""), std::string::npos);
}

TEST(VcdReplay, a_file_without_the_crank_says_so_and_names_what_it_has) {
  const VcdTrial trial;
  trial.write_vcd(device_names);
  const std::string expected =
      "no edge on \"crank\", the crank's channel in the engine file; channels with edges: D0, D2, D1. "
      "If one of them is the crank: --channels crank=NAME";
  const auto plain = [](const std::string& words) {  // line breaks of the account taken out
    std::string out;
    for (const char letter : words) {
      const char shown = letter == '\n' ? ' ' : letter;
      out += shown == ' ' && !out.empty() && out.back() == ' ' ? "" : std::string(1, shown);
    }
    return out;
  };
  const Ended words = trial.replay({trial.vcd, "--engine", trial.engine});
  EXPECT_EQ(words.code, 0);
  EXPECT_NE(plain(words.out).find("Nothing can be said: " + expected), std::string::npos) << words.out;
  EXPECT_EQ(trial.replay({trial.vcd, "--engine", trial.engine, "--json"}).err,
            "crankwitness: " + trial.vcd + ": " + expected + "\n");
  const Ended live = run_program(
      trial.folder, {"run", trial.engine, "--source", "vcd:-", "--json", "--out", trial.folder / "s"}, trial.vcd);
  EXPECT_NE(live.err.find(expected), std::string::npos) << live.err;
}

TEST(VcdReplay, wrong_channel_names_give_one_line_and_exit_2) {
  const VcdTrial trial;
  trial.write_vcd({});
  const auto expect = [&](const std::string& names, const std::string& line) {
    const Ended ended = trial.replay({trial.vcd, "--engine", trial.engine, "--channels", names});
    EXPECT_EQ(ended.code, 2);
    EXPECT_EQ(ended.err, "crankwitness: --channels: " + line + "\n");
  };
  const std::string shape = "expected NAME=DEVICE_NAME pairs with commas between, such as crank=D0,cam1=D1, found ";
  expect("crank", shape + "\"crank\"");
  expect("crank=", shape + "\"crank=\"");
  expect("=D0", shape + "\"=D0\"");
  expect("crank=D0,", shape + "\"\"");
  expect("crnk=D0", "expected a channel of the engine file (crank, cam1, ref), found \"crnk\"");
  expect("crank=D0,crank=D1", "expected each name once, found \"crank\" again");
  expect("crank=D0,cam1=D0", "expected each name once, found \"D0\" again");
  ASSERT_EQ(trial.replay({trial.vcd, "--engine", trial.engine, "--out", trial.folder / "s"}).code, 0);
  EXPECT_EQ(trial.replay({trial.folder / "s", "--channels", "crank=D0"}).err,
            "crankwitness: --channels: expected a raw file, found a session (its channels were named when it was "
            "recorded)\n");
  const Ended two = run_program(
      trial.folder, {"run", trial.engine, "--source", "vcd:-", "--source", "csv:-", "--channels", "crank=D0"});
  EXPECT_EQ(two.err, "crankwitness: --channels: expected one source, found 2\n");
  EXPECT_EQ(two.code, 2);
}

// What a shell command prints; fails the test when it fails.
std::string shell(const ScratchFolder& folder, const std::string& command) {
  const std::string out = folder / "shell.out";
  test::write_text(folder / "command.sh", "set -e -o pipefail\n" + command + "\n");
  const int status = std::system(("bash " + folder / "command.sh" + " >" + out + " 2>&1").c_str());
  std::string text = test::file_text(out);
  EXPECT_EQ(status, 0) << command << "\n" << text;
  return text;
}

// Edges of one channel of a session's capture: time and code.
std::vector<std::pair<std::int64_t, int>> captured(const std::string& folder, const std::string& channel) {
  std::vector<std::pair<std::int64_t, int>> edges;
  auto opened = CaptureReader::open(folder);
  auto* reader = std::get_if<CaptureReader>(&opened);
  EXPECT_NE(reader, nullptr);
  CaptureBlock block;
  int number = -1;
  while (reader != nullptr && reader->next(block)) {
    for (const Item& item : block.items.items) {
      if (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
        const auto bytes = payload_of(item, block.items.payload);
        const std::string_view name(reinterpret_cast<const char*>(bytes.data()), bytes.size());
        number = name == channel ? item.channel : number;
      }
      if (item.kind == ItemKind::edge && item.channel == number) {
        edges.emplace_back(item.source_ns, item.code);
      }
    }
  }
  return edges;
}

// sigrok's demo device as a binary counter at its 200 kHz: channel n changes every 2^n samples of 5 us. What it writes
// as bits on its own is compared as well (its CSV output loses samples: 11,808 of 20,000 lines with libsigrok 0.5.2).
TEST(SigrokPeer, a_live_capture_through_a_pipe_gives_every_edge_at_its_time) {
  const ScratchFolder folder;
  test::write_text(folder / "engine.toml", test::trial_engine);
  constexpr std::int64_t samples = 4'000;  // more takes seconds: the search on a wheel without gaps is slow
  constexpr std::int64_t sample_ns = 5'000;
  const std::string device = "sigrok-cli --driver demo -g Logic --config pattern=incremental --samples " +
                             std::to_string(samples) + " -C D0,D1,D2 ";
  shell(folder, device + "-O vcd | " + CRANKWITNESS_PROGRAM + " run " + folder / "engine.toml" +
                    " --source vcd:- --channels crank=D0,cam1=D1,ref=D2 --out " + folder / "s");
  const std::vector<std::pair<std::string, int>> channels = {{"crank", 0}, {"cam1", 1}, {"ref", 2}};
  for (const auto& [name, bit] : channels) {
    const auto edges = captured(folder / "s/capture", name);
    const std::int64_t step = std::int64_t{1} << bit;
    ASSERT_EQ(edges.size(), static_cast<std::size_t>((samples - 1) / step)) << name;
    for (std::size_t i = 0; i < edges.size(); ++i) {
      ASSERT_EQ(edges[i].first, static_cast<std::int64_t>(i + 1) * step * sample_ns) << name;
      ASSERT_EQ(edges[i].second, i % 2 == 0 ? 1 : 0) << name;
    }
  }
  const auto summary = parse_json(test::file_text(folder / "s/summary.json"));
  EXPECT_EQ(summary.at("recording").at("stopped_by"), "end of input");

  std::istringstream lines(shell(folder, device + "-O bits"));  // "D0:01010101 01010101 ..."
  std::map<std::string, std::string> levels;
  for (std::string line; std::getline(lines, line);) {
    if (line.size() > 3 && line[0] == 'D' && line[2] == ':') {
      std::copy_if(line.begin() + 3, line.end(), std::back_inserter(levels[line.substr(0, 2)]),
                   [](char letter) { return letter == '0' || letter == '1'; });
    }
  }
  for (const auto& [name, bit] : channels) {
    const std::string& level = levels["D" + std::to_string(bit)];
    ASSERT_EQ(level.size(), static_cast<std::size_t>(samples));
    std::vector<std::pair<std::int64_t, int>> expected;
    for (std::size_t i = 1; i < level.size(); ++i) {
      if (level[i] != level[i - 1]) {
        expected.emplace_back(static_cast<std::int64_t>(i) * sample_ns, level[i] - '0');
      }
    }
    EXPECT_EQ(captured(folder / "s/capture", name), expected) << name;
  }
}

// sigrok as a second reader of the same file: its samples, and our edges. (It takes no vectors.)
TEST(SigrokPeer, reads_the_same_levels_from_a_vcd_file_as_we_do) {
  const ScratchFolder folder;
  test::write_text(folder / "engine.toml", test::trial_engine);
  test::write_text(folder / "in.vcd",
                   "$date today $end\n$timescale 1 us $end\n$scope module m $end\n$var wire 1 ! crank $end\n"
                   "$var wire 1 {2 cam1 $end\n$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n0!\n0{2\n$end\n"
                   "#3\n1!\n#4\n0!\n#7\n1{2\n#9 0{2 1!\n#15\n0!\n#20\n");
  ASSERT_EQ(
      run_program(folder, {"replay", folder / "in.vcd", "--engine", folder / "engine.toml", "--out", folder / "s"})
          .code,
      0);
  std::istringstream lines(shell(folder, "sigrok-cli -I vcd -i " + folder / "in.vcd" + " -O csv"));
  std::map<std::string, std::vector<std::pair<std::int64_t, int>>> expected;
  std::string line;
  std::string before;
  for (std::int64_t sample = 0; std::getline(lines, line);) {
    if (line.size() != 3 || line[1] != ',') {
      continue;
    }
    for (const auto& [name, column] : {std::pair{"crank", 0}, std::pair{"cam1", 2}}) {
      if (!before.empty() && line[column] != before[column]) {
        expected[name].emplace_back(sample * 1000, line[column] - '0');
      }
    }
    before = line;
    ++sample;
  }
  EXPECT_EQ(expected["crank"].size(), 4U);
  EXPECT_EQ(expected["cam1"].size(), 2U);
  EXPECT_EQ(captured(folder / "s/capture", "crank"), expected["crank"]);
  EXPECT_EQ(captured(folder / "s/capture", "cam1"), expected["cam1"]);
}

// A Verilog bench that dumps VCD and tells by itself, at full width, what each signal became and when, in units of 100
// ps; vectors with x and z on the left, a real, two scopes with a name in common, an alias.
const std::string verilog = R"(`timescale 1us / 100ps
module sensor(input wire crank_in);
  reg crank;
  initial crank = 1;
  always #3.7 crank = ~crank;
endmodule
module bench;
  reg crank;
  reg [11:0] count;
  real speed;
  integer told;
  sensor s1(crank);
  initial begin
    told = $fopen("told.txt");
    $dumpfile("bench.vcd");
    $dumpvars(0, bench);
    speed = 0; crank = 0;
    #2.5 count = 0;
    repeat (300) begin
      #1.3333 crank = ~crank;
      #0.2 count = count * 5 + 1;
      speed = speed + 0.5;
    end
    #1 count = 12'b10; #1 count = 12'bx10; #1 count = 12'hfff; #1 count = 12'bx10;
    #1 count = 12'h0; #1 count = 12'bzx0; #1 count = 12'hfff; #1 count = 12'bzx0; #1 count = 12'b0x10;
    #1 $dumpall; #1 count = 12'bz; #1 count = 12'h0; #1 count = 12'h800; crank = 1'bx; #1 crank = 1; #1 crank = 0;
    #4 $finish;
  end
  always @(crank) $fdisplay(told, "%0d crank %b", $rtoi($realtime * 10000 + 0.5), crank);
  always @(count) $fdisplay(told, "%0d count %b", $rtoi($realtime * 10000 + 0.5), count);
endmodule
)";

TEST(VerilogPeer, a_simulators_dump_gives_the_edges_that_the_simulator_tells) {
  const ScratchFolder folder;
  test::write_text(folder / "engine.toml", test::trial_engine);
  test::write_text(folder / "bench.v", verilog);
  shell(folder, "cd " + folder.path() + " && iverilog -o bench bench.v && vvp bench");
  std::istringstream lines(test::file_text(folder / "told.txt"));
  std::map<std::string, std::vector<std::pair<std::int64_t, int>>> expected;
  std::map<std::string, char> level;
  std::int64_t time = 0;
  std::string signal;
  std::string bits;
  while (lines >> time >> signal >> bits) {
    for (std::size_t bit = 0; bit < bits.size(); ++bit) {
      const char value = bits[bits.size() - 1 - bit];
      const std::string name = signal + (signal == "count" ? std::to_string(bit) : "");
      if (value != '0' && value != '1') {
        continue;
      }
      const char last = std::exchange(level[name], value);
      if (last != 0 && last != value) {
        expected[name].emplace_back((time + 5) / 10, value - '0');
      }
    }
  }
  EXPECT_EQ(expected["crank"].size(), 302U);
  for (std::size_t bit = 0; bit < 12; bit += 2) {
    const std::string out = folder / "s" + std::to_string(bit);
    const std::string names =
        "crank=bench.crank,cam1=count[" + std::to_string(bit) + "],ref=bench.count[" + std::to_string(bit + 1) + "]";
    ASSERT_EQ(run_program(folder, {"replay", folder / "bench.vcd", "--engine", folder / "engine.toml", "--channels",
                                   names, "--out", out})
                  .code,
              0);
    EXPECT_EQ(captured(out + "/capture", "crank"), expected["crank"]);
    EXPECT_EQ(captured(out + "/capture", "cam1"), expected["count" + std::to_string(bit)]) << bit;
    EXPECT_EQ(captured(out + "/capture", "ref"), expected["count" + std::to_string(bit + 1)]) << bit;
    EXPECT_GT(expected["count" + std::to_string(bit)].size(), 4U);
  }
}

}  // namespace
}  // namespace cw
