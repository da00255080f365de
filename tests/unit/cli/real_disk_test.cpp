// The real program on real small disks that fill, turn read-only, freeze and go away. Needs root, and loop devices for
// some; where that is not allowed the tests are skipped and say so.
#include <gtest/gtest.h>
#include <linux/fs.h>
#include <sys/ioctl.h>
#include <sys/mount.h>

#include <cstdlib>

#include "record/session_reader.hpp"
#include "tests/unit/cli/live_trial.hpp"
#include "tests/unit/cli/program.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::Ended;
using test::Program;

bool shell(const std::string& command) {
  return std::system((command + " >/dev/null 2>&1").c_str()) == 0;  // NOLINT(concurrency-mt-unsafe,cert-env33-c)
}

enum class DiskKind { memory, ext4 };

// A disk of its own, mounted in the trial's folder for as long as it lives.
class SmallDisk {
 public:
  SmallDisk(const test::ScratchFolder& folder, DiskKind kind) : place_(folder / "disk"), image_(folder / "image") {
    std::filesystem::create_directory(place_);
    if (std::getenv("CW_REAL_DISK") == nullptr) {  // NOLINT(concurrency-mt-unsafe)
      return;
    }
    if (kind == DiskKind::memory) {
      mounted_ = ::mount("none", place_.c_str(), "tmpfs", 0, "size=4m") == 0;
    } else {
      mounted_ = shell("truncate -s 24M " + image_ + " && mkfs.ext4 -q " + image_) && mount_again();
    }
  }
  SmallDisk(const SmallDisk&) = delete;
  SmallDisk& operator=(const SmallDisk&) = delete;
  ~SmallDisk() { shell("umount " + place_); }

  bool mounted() const { return mounted_; }
  const std::string& place() const { return place_; }
  bool mount_again() const { return shell("mount -o loop " + image_ + " " + place_); }
  void go_away() const { EXPECT_EQ(::umount2(place_.c_str(), MNT_DETACH), 0); }
  void turn_read_only() const { EXPECT_TRUE(shell("mount -o remount,abort " + place_)); }
  void freeze(bool on) const {
    const int folder = ::open(place_.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    EXPECT_EQ(::ioctl(folder, on ? FIFREEZE : FITHAW, 0), 0);
    ::close(folder);
  }
  void fill() const {
    const int file = ::open((place_ + "/others").c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    const std::string block(4096, 'x');
    while (::write(file, block.data(), block.size()) > 0) {
    }
    ::close(file);
  }
  void empty() const { std::filesystem::remove(place_ + "/others"); }

 private:
  std::string place_;
  std::string image_;
  bool mounted_ = false;
};

std::size_t count_of(const std::string& text, const std::string& part) {
  std::size_t count = 0;
  for (std::size_t at = text.find(part); at != std::string::npos; at = text.find(part, at + 1)) {
    ++count;
  }
  return count;
}

// A run of the trial engine in real time at 6,000 rpm, an edge missing every 0.4 s, with the session on a small disk.
class DiskTrial {
 public:
  explicit DiskTrial(DiskKind kind) : disk(trial.folder, kind), session(disk.place() + "/s") {
    test::write_text(trial.engine, test::trial_engine + "\n[record]\nfree_floor_mib = 0\n");
  }

  // `trouble` is called with the seconds at which to wait.
  template <typename Trouble>
  void run(double seconds, Trouble trouble) {
    Program program(trial.folder, {"run", trial.engine, "--source", "csv:" + trial.fifo, "--out", session});
    std::thread feeding([&] {
      const test::Feeder feeder(trial.fifo);
      feeder.write_in_real_time(test::trial_edges(6000, seconds, 1400));
    });
    const auto begin = std::chrono::steady_clock::now();
    trouble([&](double at_s) {
      std::this_thread::sleep_until(begin + std::chrono::milliseconds(static_cast<int>(at_s * 1000)));
      return count_of(program.out(), "Missed edge");
    });
    feeding.join();
    code = program.wait();
    out = program.out();
    err = program.err();
  }

  std::vector<std::string> events() const { return test::whole_lines(test::file_text(session + "/events.jsonl")); }
  std::size_t found() const { return count_of(out, "Missed edge"); }

  // Events before the hole, and rows of the trend before it and from two seconds behind it on, come out of a replay byte
  // for byte.
  void expect_replay_agrees_outside_of_the_hole(const CaptureHole& hole, std::int64_t first_host_ns) {
    const Ended replay = test::run_program(trial.folder, {"replay", session, "--out", trial.folder / "again"});
    EXPECT_EQ(replay.code, 4) << replay.err;
    EXPECT_NE(replay.err.find("(marked by the recorder)"), std::string::npos) << replay.err;
    const auto again = test::whole_lines(test::file_text(trial.folder / "again/events.jsonl"));
    std::size_t before = 0;
    for (const std::string& line : events()) {
      if (parse_json(line).at("evidence").at("last_sequence") >= hole.first_sequence) {
        break;
      }
      ASSERT_LT(before, again.size());
      EXPECT_EQ(again[before++], line);
    }
    EXPECT_GE(before, 2U);
    const auto rows = test::whole_lines(test::file_text(session + "/trend.csv"));
    const auto rows_again = test::whole_lines(test::file_text(trial.folder / "again/trend.csv"));
    ASSERT_EQ(rows.size(), rows_again.size());
    const double begin_s = static_cast<double>(*hole.before_host_ns - first_host_ns) * 1e-9;
    const double end_s = static_cast<double>(*hole.after_host_ns - first_host_ns) * 1e-9;
    std::size_t compared = 0;
    for (std::size_t i = 1; i < rows.size(); ++i) {
      const double row_s = std::stod(rows[i]);
      if (row_s < begin_s || row_s > end_s + 2) {
        EXPECT_EQ(rows[i], rows_again[i]);
        ++compared;
      }
    }
    EXPECT_GE(compared, 3U);
  }

  CaptureReport report() const {
    auto opened = SessionReader::open(session);
    auto& reader = std::get<SessionReader>(opened);
    for (ItemBuffer some; reader.next(some);) {
    }
    return reader.report();
  }

  const test::LiveTrial trial;
  const SmallDisk disk;
  const std::string session;
  int code = -1;
  std::string out;
  std::string err;
};

TEST(RealDisk, full_is_told_once_findings_are_kept_and_recording_goes_on_when_there_is_room) {
  DiskTrial trial(DiskKind::memory);
  if (!trial.disk.mounted()) {
    GTEST_SKIP() << "may not mount, or CW_REAL_DISK is not set";
  }
  trial.run(7.5, [&](auto wait_until) {
    wait_until(2.0);
    trial.disk.fill();
    const std::size_t found = wait_until(3.7);
    EXPECT_GE(found, 6U);                         // on the terminal, with the disk full
    EXPECT_GE(trial.events().size() + 1, found);  // and in the file: room was kept for them
    trial.disk.empty();
  });
  EXPECT_EQ(trial.code, 5) << trial.err;
  EXPECT_EQ(count_of(trial.err, "No space left on device"), 1U) << trial.err;
  EXPECT_EQ(count_of(trial.err, "the disk takes data again"), 1U) << trial.err;
  EXPECT_EQ(count_of(trial.err, "recording again"), 1U) << trial.err;
  EXPECT_EQ(count_of(test::file_text(trial.session + "/events.jsonl"), "\"missed-edge\""), trial.found());
  const CaptureReport report = trial.report();
  ASSERT_EQ(report.hole_count, 1U);
  trial.expect_replay_agrees_outside_of_the_hole(report.holes[0], *report.first_host_ns);
}

TEST(RealDisk, read_only_is_told_once_and_analysis_goes_on_to_the_end) {
  DiskTrial trial(DiskKind::ext4);
  if (!trial.disk.mounted()) {
    GTEST_SKIP() << "may not mount a file, or CW_REAL_DISK is not set";
  }
  trial.run(4, [&](auto wait_until) {
    wait_until(2.0);
    trial.disk.turn_read_only();
  });
  EXPECT_EQ(trial.code, 5) << trial.err;
  EXPECT_GE(trial.found(), 8U);
  EXPECT_EQ(count_of(trial.err, "Read-only file system; edges are not recorded until that is over"), 1U) << trial.err;
  EXPECT_GE(trial.events().size(), 2U);  // those from before
  EXPECT_EQ(test::run_program(trial.trial.folder, {"replay", trial.session}).code, 0);
}

TEST(RealDisk, that_freezes_for_five_seconds_loses_nothing_and_findings_do_not_wait_for_it) {
  DiskTrial trial(DiskKind::ext4);
  if (!trial.disk.mounted()) {
    GTEST_SKIP() << "may not mount a file, or CW_REAL_DISK is not set";
  }
  trial.run(9, [&](auto wait_until) {
    const std::size_t before = wait_until(2.0);
    trial.disk.freeze(true);
    const std::size_t meanwhile = wait_until(7.0);
    trial.disk.freeze(false);
    EXPECT_GE(meanwhile, before + 10);
  });
  EXPECT_EQ(trial.code, 0) << trial.err;
  EXPECT_EQ(count_of(trial.err, "the disk does not answer"), 1U) << trial.err;
  EXPECT_EQ(count_of(trial.err, "the disk answered again after"), 1U) << trial.err;
  EXPECT_EQ(
      test::run_program(trial.trial.folder, {"replay", trial.session, "--out", trial.trial.folder / "again"}).code, 0);
  for (const char* name : {"/events.jsonl", "/trend.csv"}) {
    EXPECT_EQ(test::file_text(trial.trial.folder / "again" + name), test::file_text(trial.session + name));
  }
  EXPECT_NE(test::file_text(trial.session + "/service.jsonl").find("\"event\":\"disk-stalled\""), std::string::npos);
}

TEST(RealDisk, that_goes_away_and_comes_back_is_gone_on_with) {
  DiskTrial trial(DiskKind::ext4);
  if (!trial.disk.mounted()) {
    GTEST_SKIP() << "may not mount a file, or CW_REAL_DISK is not set";
  }
  trial.run(7.5, [&](auto wait_until) {
    wait_until(2.0);
    trial.disk.go_away();
    wait_until(3.8);
    EXPECT_TRUE(std::filesystem::is_empty(trial.disk.place()));  // nothing was written to the disk below
    EXPECT_TRUE(trial.disk.mount_again());
  });
  EXPECT_EQ(trial.code, 5) << trial.err;
  EXPECT_EQ(count_of(trial.err, "the folder is no longer there"), 1U) << trial.err;
  EXPECT_EQ(count_of(trial.err, "recording again"), 1U) << trial.err;
  EXPECT_EQ(count_of(test::file_text(trial.session + "/events.jsonl"), "\"missed-edge\""), trial.found());
  const CaptureReport report = trial.report();
  ASSERT_EQ(report.hole_count, 1U);
  trial.expect_replay_agrees_outside_of_the_hole(report.holes[0], *report.first_host_ns);
}

TEST(RealDisk, whose_session_is_removed_gets_it_anew) {
  DiskTrial trial(DiskKind::memory);
  if (!trial.disk.mounted()) {
    GTEST_SKIP() << "may not mount, or CW_REAL_DISK is not set";
  }
  trial.run(6, [&](auto wait_until) {
    wait_until(2.0);
    std::filesystem::remove_all(trial.session);
  });
  EXPECT_EQ(trial.code, 5) << trial.err;
  EXPECT_EQ(count_of(trial.err, "recording again"), 1U) << trial.err;
  EXPECT_GE(trial.events().size(), 5U);
  EXPECT_EQ(test::run_program(trial.trial.folder, {"replay", trial.session}).code, 4);
}

}  // namespace
}  // namespace cw
