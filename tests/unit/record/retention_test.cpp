#include "record/retention.hpp"

#include <gtest/gtest.h>

#include "record/session_reader.hpp"
#include "record/session_writer.hpp"
#include "tests/unit/record/edge_maker.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace cw {
namespace {

using test::ScratchFolder;

constexpr std::int64_t second = 1'000'000'000;
constexpr std::int64_t day = 86'400 * second;

std::int64_t wall_now_ns() {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::system_clock::now().time_since_epoch())
      .count();
}

// Sessions of 200 s of a running wheel in segments of 10 s, ended some days ago.
class Sessions {
 public:
  std::string folder() const { return scratch_ / "sessions"; }
  std::string at(const std::string& name) const { return folder() + "/" + name; }

  std::unique_ptr<SessionWriter> begin(const std::string& name, const std::string& made_by = "run") {
    SessionSettings settings;
    settings.folder = at(name);
    settings.info.id = 77;
    settings.info.made_by = made_by;
    settings.segment_ns = 10 * second;
    settings.live = false;  // so that not every block is synced: that takes long
    auto created = SessionWriter::create(std::move(settings), engine_);
    return std::move(std::get<std::unique_ptr<SessionWriter>>(created));
  }

  // With a finding of `severity` whose evidence is at 100 s, if any.
  void add(const std::string& name, double days_ago, std::optional<Severity> severity = std::nullopt,
           const std::string& made_by = "run") {
    auto writer = begin(name, made_by);
    writer->append(items_.batch());
    if (severity) {
      Finding finding;
      finding.severity = *severity;
      finding.evidence_first = items_.items.size() / 2;
      finding.evidence_last = items_.items.size() / 2 + 100;
      finding.session_ns = 101 * second;
      writer->on_finding(finding);
    }
    SessionTotals totals(engine_);
    totals.take_items(items_.batch());
    EXPECT_FALSE(writer->finish("end of input", totals));
    const auto ended = std::filesystem::file_time_type::clock::now() -
                       std::chrono::seconds(static_cast<std::int64_t>(days_ago * 86'400));
    for (const auto& entry : std::filesystem::recursive_directory_iterator(at(name))) {
      std::filesystem::last_write_time(entry.path(), ended);
    }
  }

  RetentionPlan plan(std::optional<std::int64_t> keep_ns, std::optional<std::uint64_t> keep_bytes = std::nullopt) {
    RetentionRules rules;
    rules.keep_ns = keep_ns;
    rules.keep_bytes = keep_bytes;
    rules.now_wall_ns = wall_now_ns();
    auto planned = plan_retention(layer, folder(), rules);
    EXPECT_TRUE(std::holds_alternative<RetentionPlan>(planned));
    return std::get<RetentionPlan>(std::move(planned));
  }

  void carry_out_all(const RetentionPlan& plan) {
    for (const RetentionStep& step : plan.steps) {
      EXPECT_FALSE(carry_out(layer, step, wall_now_ns()));
    }
  }

  bool exists(const std::string& name) const { return std::filesystem::exists(at(name)); }

  const FileLayer layer;

 private:
  const ScratchFolder scratch_;
  const Engine engine_;
  const ItemBuffer items_ = test::wheel_items(10'000);
};

std::vector<std::string> folders(const RetentionPlan& plan) {
  std::vector<std::string> names;
  for (const RetentionStep& step : plan.steps) {
    names.push_back(std::filesystem::path(step.folder).filename().string());
  }
  return names;
}

TEST(Retention, by_age_an_old_session_without_warning_or_fault_goes_and_a_young_one_stays) {
  Sessions sessions;
  sessions.add("old", 10);
  sessions.add("old-with-info", 9, Severity::info);
  sessions.add("young", 3);
  const RetentionPlan plan = sessions.plan(7 * day);
  EXPECT_EQ(folders(plan), std::vector<std::string>({"old", "old-with-info"}));
  EXPECT_TRUE(sessions.exists("old"));  // a plan removes nothing
  sessions.carry_out_all(plan);
  EXPECT_FALSE(sessions.exists("old"));
  EXPECT_FALSE(sessions.exists("old-with-info"));
  EXPECT_TRUE(sessions.exists("young"));
}

TEST(Retention, by_size_the_oldest_goes_first_and_no_more_than_is_needed) {
  Sessions sessions;
  sessions.add("b", 3);
  sessions.add("a", 2);
  sessions.add("c", 1);
  const std::uint64_t all = sessions.plan(std::nullopt, 1'000'000'000).bytes_before;
  const RetentionPlan plan = sessions.plan(std::nullopt, all - 1);
  EXPECT_EQ(folders(plan), std::vector<std::string>({"b"}));
  EXPECT_LT(plan.bytes_after, all);
  EXPECT_TRUE(sessions.plan(std::nullopt, all).steps.empty());
}

TEST(Retention, of_a_session_with_a_fault_the_window_stays_and_replays_as_an_epoch_with_nothing_lost) {
  Sessions sessions;
  sessions.add("fault", 10, Severity::fault);
  const RetentionPlan plan = sessions.plan(7 * day);
  ASSERT_EQ(plan.steps.size(), 1U);
  EXPECT_FALSE(plan.steps[0].whole);
  sessions.carry_out_all(plan);
  EXPECT_TRUE(std::filesystem::exists(sessions.at("fault/events.jsonl")));
  auto opened = SessionReader::open(sessions.at("fault"));
  auto& reader = std::get<SessionReader>(opened);
  std::int64_t first_s = -1;
  std::int64_t last_s = -1;
  for (ItemBuffer some; reader.next(some);) {
    first_s = first_s < 0 ? some.items.back().host_ns / second : first_s;
    last_s = some.items.back().host_ns / second;
  }
  EXPECT_GE(first_s, 59);  // evidence at 100 s, 30 s before it, up to a segment more
  EXPECT_LE(first_s, 70);
  EXPECT_GE(last_s, 110);
  EXPECT_LE(last_s, 121);
  EXPECT_EQ(reader.report().missing_items, reader.report().not_kept_items);
  EXPECT_NE(test::file_text(sessions.at("fault/service.jsonl")).find("\"event\":\"idle-running-removed\""),
            std::string::npos);
  EXPECT_TRUE(sessions.plan(7 * day).steps.empty());  // done once
}

TEST(Retention, evidence_is_never_given_up_for_the_size_limit) {
  Sessions sessions;
  sessions.add("fault", 10, Severity::fault);
  const RetentionPlan plan = sessions.plan(std::nullopt, 1);
  sessions.carry_out_all(plan);
  EXPECT_GT(plan.bytes_after, 1U);
  auto opened = SessionReader::open(sessions.at("fault"));
  ItemBuffer some;
  EXPECT_TRUE(std::get<SessionReader>(opened).next(some));
}

TEST(Retention, the_session_being_written_is_left_alone) {
  Sessions sessions;
  const auto writer = sessions.begin("now");
  const RetentionPlan plan = sessions.plan(0, 0);
  EXPECT_TRUE(plan.steps.empty());
  EXPECT_EQ(plan.left_alone, std::vector<std::string>({sessions.at("now") + ": is being written"}));
  RetentionStep step;
  step.folder = sessions.at("now");
  step.whole = true;
  EXPECT_TRUE(carry_out(sessions.layer, step, 0));  // not even when told to
  EXPECT_TRUE(sessions.exists("now/session.toml"));
}

TEST(Retention, what_is_no_session_of_ours_is_left_alone) {
  Sessions sessions;
  sessions.add("replayed", 10, std::nullopt, "replay");
  sessions.add("real", 10);
  std::filesystem::create_directory_symlink(sessions.at("real"), sessions.at("link"));
  std::filesystem::create_directories(sessions.at("photos"));
  test::write_text(sessions.at("photos/session.toml"), "these are = photos");
  test::write_text(sessions.at("notes.txt"), "x");
  const RetentionPlan plan = sessions.plan(0, 0);
  EXPECT_EQ(folders(plan), std::vector<std::string>({"real"}));
  EXPECT_EQ(plan.left_alone.size(), 4U);
}

TEST(Retention, when_the_findings_cannot_be_read_nothing_of_the_session_is_removed) {
  Sessions sessions;
  sessions.add("damaged", 10, Severity::fault);
  test::write_text(sessions.at("damaged/events.jsonl"), "{\"id\":1,\"sever\n");
  EXPECT_TRUE(sessions.plan(0, 0).steps.empty());
}

TEST(Retention, a_damaged_segment_may_hold_anything_and_stays) {
  Sessions sessions;
  sessions.add("fault", 10, Severity::fault);
  const std::string path = sessions.at("fault/capture/000002.cwr");
  std::string bytes = test::file_text(path);
  bytes[file_header_size] ^= 1;
  test::write_text(path, bytes);
  sessions.carry_out_all(sessions.plan(0));
  EXPECT_TRUE(std::filesystem::exists(path));
  EXPECT_FALSE(std::filesystem::exists(sessions.at("fault/capture/000003.cwr")));
}

TEST(Retention, files_of_the_user_in_a_session_stay_with_their_folder) {
  Sessions sessions;
  sessions.add("old", 10);
  test::write_text(sessions.at("old/notes.txt"), "the day the belt went");
  sessions.carry_out_all(sessions.plan(0, 0));
  EXPECT_EQ(test::file_text(sessions.at("old/notes.txt")), "the day the belt went");
  EXPECT_FALSE(sessions.exists("old/session.toml"));
  EXPECT_FALSE(sessions.exists("old/capture"));
}

TEST(Retention, a_step_that_was_broken_off_is_done_again) {
  Sessions sessions;
  sessions.add("old", 10);
  std::filesystem::remove_all(sessions.at("old/capture"));
  std::filesystem::remove(sessions.at("old/events.jsonl"));
  sessions.carry_out_all(sessions.plan(0));
  EXPECT_FALSE(sessions.exists("old"));
}

}  // namespace
}  // namespace cw
