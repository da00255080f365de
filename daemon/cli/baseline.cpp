#include "cli/baseline.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "cli/terminal.hpp"
#include "cli/version.hpp"
#include "cli/words.hpp"
#include "compare/baseline_compare.hpp"
#include "compare/offset_fit.hpp"
#include "compare/steady_cycles.hpp"
#include "config/baseline_file.hpp"
#include "record/disk_file.hpp"
#include "record/session_info.hpp"
#include "record/session_reader.hpp"
#include "report/finding_words.hpp"
#include "text/json.hpp"

namespace cw {

namespace {

class BaselineObserver final : public Observer {
 public:
  void begin(const Engine& engine) {
    engine_ = engine;
    samples_.emplace(engine_);
    maker_.emplace(engine_);
  }
  bool begun() const { return maker_.has_value(); }
  void on_finding(const Finding& /*finding*/) override {}
  void on_cycle(const Cycle& cycle) override {
    cycles_.take(cycle);
    if (const auto sample = samples_->take(cycle)) {
      maker_->take(*sample);
    }
  }
  void on_second(const Second& /*second*/) override {}
  void on_state(const StateChange& change) override {
    cycles_.take(change);
    samples_->take(change);
  }
  void on_wheel(const WheelShape& shape) override { maker_->take(shape); }

  Baseline baseline() const {
    Baseline out = maker_->baseline();
    const OffsetFit fit = fit_offset(cycles_.holds());
    const bool fits = fit.verdict != OffsetVerdict::no_line && fit.verdict != OffsetVerdict::dwell_edge;
    if (fits && fit.offset_deg && fit.delay_us) {
      out.offset_deg = BaselineNumber{fit.offset_deg->value, fit.offset_deg->half_width};
      out.delay_us = BaselineNumber{fit.delay_us->value, fit.delay_us->half_width};
    }
    out.program = program_version();
    return out;
  }

 private:
  Engine engine_;
  std::optional<SteadySamples> samples_;
  std::optional<BaselineMaker> maker_;
  SteadyCycles cycles_;
};

std::string wall_time_of(const std::string& input) {
  const std::string folder = is_session(input) ? session_places(input).folder : std::string();
  if (folder.empty()) {
    return {};
  }
  const auto info = read_session_info(folder);
  const auto* known = std::get_if<SessionInfo>(&info);
  return known != nullptr && known->anchor ? rfc3339(known->anchor->wall_ns, 0) : std::string();
}

int decimals_of(BaselineItem item) {
  return item == BaselineItem::delay ? 1 : 2;
}

std::string unit_of(BaselineItem item) {
  return item == BaselineItem::delay ? " us" : (item == BaselineItem::sync_margin ? "" : " deg");
}

std::string what_of(const BaselinePair& pair) {
  std::string out(to_string(pair.item));
  std::replace(out.begin(), out.end(), '-', ' ');
  out += pair.channel.empty() ? "" : " " + pair.channel;
  return pair.to_rpm > 0 ? out + ", " + fixed(pair.from_rpm, 0) + " to " + fixed(pair.to_rpm, 0) + " rpm" : out;
}

std::string number_in_words(BaselineItem item, const BaselineNumber& number) {
  return signed_fixed(number.value, decimals_of(item)) + " +- " + fixed(number.uncertainty, decimals_of(item)) +
         unit_of(item);
}

std::string pair_in_words(const BaselinePair& pair) {
  constexpr std::size_t label_width = 36;
  std::string line = (pair.differs() ? "! " : "  ") + what_of(pair);
  line.resize(std::max(label_width, line.size() + 1), ' ');
  line += number_in_words(pair.item, pair.before) + " -> " + number_in_words(pair.item, pair.now) + "   ";
  line += pair.differs() ? "differs by " + signed_fixed(pair.difference(), decimals_of(pair.item)) + " (beyond " +
                               fixed(pair.unsure, decimals_of(pair.item)) + ")"
                         : "as before";
  return line + "\n";
}

std::string made_in_words(const Baseline& made) {
  std::string out;
  append_labelled(out, "Engine", made.engine_name);
  append_labelled(out, "Began", made.wall_time.empty() ? "not known" : made.wall_time);
  const auto add = [&](BaselineItem item, const std::string& label, const BaselineNumber& number) {
    append_labelled(out, label, number_in_words(item, number));
  };
  for (const BaselineBand& band : made.bands) {
    std::string text = std::to_string(band.cycles) + " cycles";
    text += band.tdc_deviation_deg
                ? "; TDC deviation " + number_in_words(BaselineItem::tdc_deviation, *band.tdc_deviation_deg)
                : "";
    text += band.sync_margin ? "; sync margin " + number_in_words(BaselineItem::sync_margin, *band.sync_margin) : "";
    append_labelled(out, fixed(band.from_rpm, 0) + "-" + fixed(band.to_rpm, 0) + " rpm", text);
  }
  if (made.offset_deg && made.delay_us) {
    add(BaselineItem::offset, "Angle", *made.offset_deg);
    add(BaselineItem::delay, "Delay", *made.delay_us);
  }
  for (const BaselineCam& cam : made.cams) {
    add(BaselineItem::cam_phase, "Cam " + cam.name, cam.phase_deg);
  }
  append_labelled(out, "Wheel", made.teeth.empty() ? "" : "errors of " + std::to_string(made.teeth.size()) + " teeth");
  return out;
}

OrderedJson number_json(const BaselineNumber& number) {
  constexpr double scale = 1e4;
  OrderedJson json;
  json["value"] = std::round(number.value * scale) / scale;
  json["uncertainty"] = std::round(number.uncertainty * scale) / scale;
  return json;
}

std::string pairs_json(const std::vector<BaselinePair>& pairs) {
  OrderedJson json;
  json["differs"] = std::any_of(pairs.begin(), pairs.end(), [](const BaselinePair& pair) { return pair.differs(); });
  json["compared"] = OrderedJson::array();
  for (const BaselinePair& pair : pairs) {
    OrderedJson one;
    one["what"] = to_string(pair.item);
    if (!pair.channel.empty()) {
      one["channel"] = pair.channel;
    }
    if (pair.to_rpm > 0) {
      one["from_rpm"] = pair.from_rpm;
      one["to_rpm"] = pair.to_rpm;
    }
    one["before"] = number_json(pair.before);
    one["now"] = number_json(pair.now);
    one["differs"] = pair.differs();
    json["compared"].push_back(std::move(one));
  }
  return dump_json(json, 2) + "\n";
}

std::string compared_in_words(const Baseline& before, const Baseline& now) {
  std::string out = program_version() + ", against the baseline of " +
                    (before.wall_time.empty() ? "an unknown time" : before.wall_time) + "\n\n";
  const std::vector<BaselinePair> pairs = pairs_of(before, now);
  std::size_t differ = 0;
  for (const BaselinePair& pair : pairs) {
    out += pair_in_words(pair);
    differ += pair.differs() ? 1 : 0;
  }
  out += pairs.empty() ? "Nothing is known of both: run the speeds of the baseline, a few seconds each.\n"
                       : "\n" + std::to_string(differ) + " of " + std::to_string(pairs.size()) +
                             " differ beyond what both are unsure of.\n";
  if (std::fabs(before.trigger_offset_deg - now.trigger_offset_deg) > 1e-3) {
    out += "The engine file's trigger offset was " + fixed(before.trigger_offset_deg, 2) + " then and is " +
           fixed(now.trigger_offset_deg, 2) + " now: angles against the ECU are not compared.\n";
  }
  return out;
}

Problem write_new(const std::string& path, const std::string& text) {
  DiskFile file;
  Problem problem = file.create(path);
  if (!problem) {
    problem = file.append(text);
  }
  Problem closing = file.close();
  return problem ? problem : closing;
}

std::variant<Baseline, std::string> read_baseline(const std::string& path) {
  std::string text;
  if (Problem problem = read_file(path, baseline_file_bytes_max, text)) {
    return *problem;
  }
  auto read = parse_baseline(text, path);
  if (auto* error = std::get_if<ConfigError>(&read)) {
    return std::move(error->message);
  }
  return std::move(std::get<Baseline>(read));
}

}  // namespace

ExitCode baseline(const BaselineOptions& options) {
  Terminal terminal;
  const auto refuse = [&](ExitCode code, const std::string& why) {
    terminal.complain("crankwitness: " + why);
    return code;
  };
  Baseline before;
  if (!options.against.empty()) {
    auto read = read_baseline(options.against);
    if (auto* error = std::get_if<std::string>(&read)) {
      return refuse(ExitCode::usage, *error);
    }
    before = std::move(std::get<Baseline>(read));
  }
  BaselineObserver observer;
  const ExitCode code = replay_to(options.input, [&](const Engine& engine) -> std::variant<Observer*, std::string> {
    observer.begin(engine);
    return &observer;
  });
  if (!observer.begun()) {
    return code;
  }
  Baseline now = observer.baseline();
  now.wall_time = wall_time_of(options.input.inputs.front());
  if (!options.save.empty()) {
    if (now.bands.empty() && now.cams.empty()) {
      return refuse(ExitCode::bad_input,
                    options.input.inputs.front() +
                        ": expected steady running, three times 2 s at some speed, found none; nothing "
                        "was written");
    }
    if (const Problem problem = write_new(options.save, baseline_text(now))) {
      return refuse(ExitCode::cannot_write, *problem);
    }
  }
  if (!options.against.empty()) {
    terminal.print(options.json ? pairs_json(pairs_of(before, now)) : compared_in_words(before, now));
  } else if (!options.json) {
    terminal.print(program_version() + ", baseline\n\n" + made_in_words(now) +
                   (options.save.empty() ? "" : "\nWritten to " + options.save + "\n"));
  }
  return code;
}

}  // namespace cw
