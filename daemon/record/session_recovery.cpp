#include "record/session_recovery.hpp"

#include <chrono>
#include <filesystem>
#include <fstream>
#include <functional>
#include <utility>

#include "record/capture_writer.hpp"
#include "record/disk_file.hpp"
#include "record/recovered_lines.hpp"
#include "record/session_reader.hpp"
#include "record/session_writer.hpp"
#include "text/json.hpp"

namespace cw {

namespace {

constexpr std::uint64_t summary_max = 16ULL * 1024 * 1024;
constexpr std::size_t write_bytes = 64 * 1024;

class Recovery {
 public:
  Recovery(const RecoverySettings& settings, SessionReader reader)
      : settings_(settings),
        reader_(std::move(reader)),
        source_(session_places(settings.source).folder),
        info_(reader_.info().value_or(SessionInfo{})) {}

  Problem write();
  RecoveryReport report();

 private:
  Problem write_info();
  Problem copy_capture(CaptureBlock& block);
  Problem copy_events();
  Problem copy_trend();
  Problem copy_service();
  Problem copy_summary();
  Problem write_recovery();
  bool in_source(const char* name) const;
  std::string out(const std::string& name) const { return settings_.out + "/" + name; }

  const RecoverySettings& settings_;
  SessionReader reader_;
  std::string source_;  // folder of the session; empty: a capture alone
  SessionInfo info_;
  KeptItems kept_;
  RecoveryReport report_;
};

bool Recovery::in_source(const char* name) const {
  std::error_code error;
  return !source_.empty() && std::filesystem::is_regular_file(source_ + "/" + name, error);
}

Problem Recovery::write_info() {
  info_.program = settings_.program;
  info_.made_by = "recover";
  info_.id = draw_session_id();
  info_.made_from.clear();
  std::vector<std::string> files = reader_.capture().files();
  for (const char* name : {"session.toml", "events.jsonl", "trend.csv", "service.jsonl", "summary.json"}) {
    if (in_source(name)) {
      files.push_back(source_ + "/" + name);
    }
  }
  for (const std::string& file : files) {
    auto hashed = hash_file(file);
    if (auto* made_from = std::get_if<MadeFrom>(&hashed)) {
      info_.made_from.push_back(std::move(*made_from));
    } else {
      info_.made_from.push_back({file, 0, ""});  // it can't be read to its end, which the report tells
    }
  }
  return write_whole_file(settings_.layer, out("session.toml"), session_toml(info_));
}

// From `block`, the first, to the last.
Problem Recovery::copy_capture(CaptureBlock& block) {
  CaptureSettings capture;
  capture.folder = out("capture");
  capture.session_id = info_.id;
  capture.sync_blocks = false;
  capture.layer = settings_.layer;
  CaptureWriter writer(std::move(capture));
  Problem problem = writer.begin_segment();
  for (bool more = true; more && !problem; more = !problem && reader_.next_block(block)) {
    if (block.hole_before) {
      problem = writer.close_block();  // a marker begins a block, so that a reader sees it
    }
    writer.know_names(block.names);
    if (!problem && block.hole_before && !block.hole_before->marked) {
      problem = writer.append(hole_marker(*block.hole_before, block.items.items.front()).batch());
    }
    problem = problem ? problem : writer.append(block.items.batch());
    kept_.add(block);
  }
  problem = problem ? problem : writer.close_block();
  problem = problem ? problem : writer.sync();
  return problem ? problem : writer.close();
}

// Lines gathered for one file, which is created with the first of them.
class LineFile {
 public:
  LineFile(FileLayer layer, std::string path) : file_(std::move(layer)), path_(std::move(path)) {}
  Problem add(std::string_view line) {
    lines_ += line;
    lines_ += '\n';
    return lines_.size() < write_bytes ? std::nullopt : write();
  }
  Problem create() { return file_.is_open() ? std::nullopt : file_.create(path_); }
  Problem finish() {
    Problem problem = lines_.empty() ? std::nullopt : write();
    problem = !problem && file_.is_open() ? file_.sync() : problem;
    return problem ? problem : file_.close();
  }

 private:
  Problem write() {
    if (Problem problem = create()) {
      return problem;
    }
    Problem problem = file_.append(lines_);
    lines_.clear();
    return problem;
  }

  DiskFile file_;
  std::string path_;
  std::string lines_;
};

// Passes the whole lines of `path`, without their LF, to `judge` and puts each where it belongs.
Problem sort_lines(const std::string& path, const std::function<LineFate(std::string_view)>& judge, LineFile& kept,
                   LineFile* without_evidence, LineCounts& counts) {
  std::ifstream in(path, std::ios::binary);
  std::string line;
  Problem problem;
  while (!problem && std::getline(in, line)) {
    const LineFate fate = in.eof() ? LineFate::unreadable : judge(line);  // without its LF it is torn
    if (fate == LineFate::kept) {
      ++counts.kept;
      problem = kept.add(line);
    } else if (fate == LineFate::without_evidence && without_evidence != nullptr) {
      ++counts.without_evidence;
      problem = without_evidence->add(line);
    } else {
      ++counts.unreadable;
    }
  }
  return problem;
}

Problem Recovery::copy_events() {
  LineFile kept(settings_.layer, out("events.jsonl"));
  LineFile rest(settings_.layer, out("events-without-evidence.jsonl"));
  EventLines lines(kept_, info_.anchor);
  Problem problem = kept.create();
  if (!problem && in_source("events.jsonl")) {
    const auto judge = [&](std::string_view line) { return lines.judge(line); };
    problem = sort_lines(source_ + "/events.jsonl", judge, kept, &rest, report_.events);
  }
  problem = problem ? problem : kept.finish();
  return problem ? problem : rest.finish();
}

Problem Recovery::copy_trend() {
  LineFile kept(settings_.layer, out("trend.csv"));
  LineFile rest(settings_.layer, out("trend-without-evidence.csv"));
  TrendLines lines(kept_);
  Problem problem = kept.create();
  if (!problem && in_source("trend.csv")) {
    const auto judge = [&](std::string_view line) { return lines.judge(line); };
    problem = sort_lines(source_ + "/trend.csv", judge, kept, &rest, report_.trend);
    report_.trend.kept -= report_.trend.kept > 0 ? 1 : 0;  // the header is no row
  }
  problem = problem ? problem : kept.finish();
  return problem ? problem : rest.finish();
}

Problem Recovery::copy_service() {
  LineFile kept(settings_.layer, out("service.jsonl"));
  LineCounts counts;
  Problem problem = kept.create();
  if (!problem && in_source("service.jsonl")) {
    const auto judge = [](std::string_view line) {
      return is_json_object(line) ? LineFate::kept : LineFate::unreadable;
    };
    problem = sort_lines(source_ + "/service.jsonl", judge, kept, nullptr, counts);
  }
  return problem ? problem : kept.finish();
}

Problem Recovery::copy_summary() {
  std::string text;
  if (!reader_.closed_in_good_order() || read_file(source_ + "/summary.json", summary_max, text)) {
    return std::nullopt;
  }
  return write_whole_file(settings_.layer, out("summary.json"), text);
}

OrderedJson counts_json(const LineCounts& counts) {
  return {{"kept", counts.kept}, {"without_evidence", counts.without_evidence}, {"unreadable", counts.unreadable}};
}

Problem Recovery::write_recovery() {
  OrderedJson json;
  json["answer"] = to_string(report_.answer);
  json["source"] = settings_.source;
  json["closed_in_good_order"] = report_.closed;
  json["session_toml"] = report_.info_problem.empty() ? "kept" : report_.info_problem;
  json["items"] = report_.capture.items;
  json["missing_items"] = report_.capture.missing_items;
  json["bytes_dropped"] = report_.capture.bytes_dropped;
  json["holes"] = OrderedJson::array();
  for (const CaptureHole& hole : report_.capture.holes) {
    OrderedJson entry;
    entry["first_sequence"] = hole.first_sequence;
    entry["items"] = hole.items;
    if (hole.before_host_ns) {
      entry["before_host_ns"] = *hole.before_host_ns;
    }
    if (hole.after_host_ns) {
      entry["after_host_ns"] = *hole.after_host_ns;
    }
    json["holes"].push_back(std::move(entry));
  }
  json["events"] = counts_json(report_.events);
  json["trend"] = counts_json(report_.trend);
  const std::string text = dump_json(json, 2) + "\n";
  return write_whole_file(settings_.layer, out("recovery.json"), text);
}

RecoveryReport Recovery::report() {
  report_.capture_alone = source_.empty();
  report_.closed = reader_.closed_in_good_order();
  report_.info_problem = reader_.info_problem();
  report_.engine_known = !info_.engine_file_text.empty();
  report_.anchor = info_.anchor;
  report_.capture = reader_.report();
  const auto all_kept = [](const LineCounts& lines) { return lines.without_evidence == 0 && lines.unreadable == 0; };
  const bool session_whole =
      report_.capture_alone || (report_.closed && report_.info_problem.empty() && in_source("events.jsonl") &&
                                in_source("trend.csv") && all_kept(report_.events) && all_kept(report_.trend));
  if (report_.capture.items == 0) {
    report_.answer = RecoveryAnswer::nothing;
  } else {
    report_.answer = report_.capture.whole() && session_whole ? RecoveryAnswer::whole : RecoveryAnswer::lossy;
  }
  return report_;
}

Problem Recovery::write() {
  CaptureBlock block;
  if (!reader_.next_block(block)) {
    return std::nullopt;
  }
  Problem problem = make_new_folder(settings_.layer, settings_.out);
  problem = problem ? problem : make_folders(settings_.layer, out("capture"));
  problem = problem ? problem : write_info();
  problem = problem ? problem : copy_capture(block);
  problem = problem ? problem : copy_events();
  problem = problem ? problem : copy_trend();
  problem = problem ? problem : copy_service();
  problem = problem ? problem : copy_summary();
  if (!problem) {
    report();
    problem = write_recovery();
  }
  return problem;
}

}  // namespace

std::string_view to_string(RecoveryAnswer answer) {
  switch (answer) {
    case RecoveryAnswer::whole:
      return "whole";
    case RecoveryAnswer::lossy:
      return "lossy";
    case RecoveryAnswer::nothing:
      break;
  }
  return "nothing";
}

std::variant<RecoveryReport, RecoveryFailure> recover_session(const RecoverySettings& settings) {
  auto reader = SessionReader::open(settings.source);
  if (auto* error = std::get_if<std::string>(&reader)) {
    return RecoveryFailure{std::move(*error), false};
  }
  Recovery recovery(settings, std::move(std::get<SessionReader>(reader)));
  if (Problem problem = recovery.write()) {
    return RecoveryFailure{std::move(*problem), true};
  }
  return recovery.report();
}

}  // namespace cw
