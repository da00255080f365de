#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

#include "geometry/angle.hpp"
#include "learn/learn.hpp"

namespace cw::learn {

namespace {

std::string number(double value, int digits) {
  std::array<char, 64> buffer{};
  const auto end = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value, std::chars_format::fixed, digits);
  return {buffer.data(), end.ptr};
}

// Angle in hundredths, [0, period): what rounds up to the period is 0.
std::string angle_text(double deg, double period_deg) {
  const double rounded = std::round(wrap_deg(deg, period_deg) * 100) / 100;
  return number(rounded >= period_deg ? 0 : rounded, 2);
}

std::string quoted(const std::string& text) {
  std::string out = "\"";
  for (const char c : text) {
    out += c == '"' || c == '\\' ? "\\" : "";
    out += static_cast<unsigned char>(c) < 0x20 ? '?' : c;
  }
  return out + "\"";
}

std::string listed(std::vector<double> angles_deg, double period_deg) {
  for (double& angle : angles_deg) {
    angle = wrap_deg(angle, period_deg);
  }
  std::sort(angles_deg.begin(), angles_deg.end());
  std::string text = "[";
  for (const double angle : angles_deg) {
    text += (text.size() > 1 ? ", " : "") + angle_text(angle, period_deg);
  }
  return text + "]";
}

const char* edge_text(ActiveEdge edge) {
  return edge == ActiveEdge::rising ? "\"rising\"" : "\"falling\"";
}

std::string engine_section(const Learned& learned, const Known& known) {
  std::string text = "[engine]\nname = \"as found\"\n";
  const int cylinders = known.cylinders.value_or(1);
  text += "cylinders = " + std::to_string(cylinders) +
          (known.cylinders ? "  # as told\n" : "  # PLACEHOLDER: edges don't tell; give the engine's own\n");
  if (cylinders > 1) {
    std::string order;
    for (int i = 1; i <= cylinders; ++i) {
      const int cylinder = known.firing_order.empty() ? i : known.firing_order[static_cast<std::size_t>(i - 1)];
      order += (i > 1 ? ", " : "") + std::to_string(cylinder);
    }
    text +=
        "firing_order = [" + order + "]" +
        (known.firing_order.empty() ? "  # PLACEHOLDER: edges don't tell; give the engine's own\n" : "  # as told\n");
  }
  return text + (learned.cycle_deg == deg_per_rev ? "cycle_deg = 360  # as told: two-stroke\n" : "");
}

std::string teeth_text(const FoundWheel& wheel) {
  const double period_deg = wheel.shaft == WheelShaft::cam ? 720 : 360;
  if (!wheel.pitched) {
    const double worst = *std::max_element(wheel.uncertain_deg.begin(), wheel.uncertain_deg.end());
    return "# Angles as time tells at " + number(wheel.rpm, 0) + " rpm; the engine's ripple may be in them, up to " +
           number(worst, 1) + " degrees.\ntooth_angles_deg = " + listed(wheel.angles_deg, period_deg) + "\n";
  }
  std::string text = "teeth = " + std::to_string(wheel.positions) + "\n";
  const bool usual = wheel.gaps.size() == 1 && wheel.gaps[0].after_tooth + wheel.gaps[0].missing == wheel.positions;
  if (wheel.gaps.empty() || usual) {
    return text + "missing = " + std::to_string(wheel.gaps.empty() ? 0 : wheel.gaps[0].missing) + "\n";
  }
  std::string gaps;
  for (const WheelGap& gap : wheel.gaps) {
    gaps += (gaps.empty() ? "[" : ", [") + std::to_string(gap.after_tooth) + ", " + std::to_string(gap.missing) + "]";
  }
  return text + "gaps = [" + gaps + "]\n";
}

std::string offset_text(const Learned& learned, const Known& known) {
  const std::string value = angle_text(learned.trigger_offset_deg, learned.cycle_deg);
  if (known.trigger_offset_deg) {
    return "trigger_offset_deg = " + value + "  # as told\n";
  }
  if (learned.offset_known) {
    const bool turn = learned.reference->period_deg < learned.cycle_deg;
    return "# From the output on " + learned.reference->channel +
           ": what the ECU believes, not what the pistons do. Measure it.\n" +
           (turn ? "# The output comes every turn, so it may be wrong by 360: compression stroke not verified.\n"
                 : "") +
           "trigger_offset_deg = " + value + "\n";
  }
  return "# PLACEHOLDER: edges don't tell where top dead centre is. Measure it (piston stop, or a light on a verified\n"
         "# mark), then run learn again with --trigger-offset: the cam angles below count from it.\n"
         "trigger_offset_deg = " +
         value + "\n";
}

std::string crank_section(const Learned& learned, const Known& known) {
  const FoundWheel& wheel = *learned.wheel;
  std::string text = "\n[crank]\nchannel = " + quoted(wheel.channel) + "\n";
  text += std::string("active_edge = ") + edge_text(wheel.edge) +
          (wheel.edge_by_choice ? "  # both edges are as steady: the one that the ECU uses is for you to say\n"
                                : "  # the steadier one\n");
  if (wheel.shaft == WheelShaft::cam) {
    text += "shaft = \"cam\"\n";
  }
  return text + teeth_text(wheel) + offset_text(learned, known) + "offset_basis = \"unverified\"\n";
}

// How far an edge may stand off: what it was seen to do, its doubt, and some; on even teeth less than keeps two teeth apart.
double tolerance_of(const FoundCam& cam, const FoundWheel& wheel) {
  constexpr double least_deg = 5;
  constexpr double most_deg = 45;
  double wanted = 0;
  for (const FoundEdge& edge : cam.edges) {
    wanted = std::max(wanted, edge.uncertain_deg + 4 * edge.scatter_deg);
  }
  const double shaft_deg = wheel.shaft == WheelShaft::cam ? 720 : 360;
  const bool even = wheel.pitched && wheel.gaps.empty();
  const double of_pitch = even ? (cam.index ? 0.4 : 0.33) * shaft_deg / wheel.positions : most_deg;
  return std::clamp(std::max(least_deg, wanted), 0.1, std::min(most_deg, of_pitch));
}

std::string cam_section(const FoundCam& cam, int index, const Learned& learned) {
  const double period_deg = cam.index ? deg_per_rev : learned.cycle_deg;
  std::vector<double> rising;
  std::vector<double> falling;
  double uncertain_deg = 0;
  for (const FoundEdge& edge : cam.edges) {
    const double crank_deg = wrap_deg(edge.angle_deg - learned.trigger_offset_deg, learned.cycle_deg);
    if (!cam.index || crank_deg < deg_per_rev) {
      (edge.edge == ActiveEdge::rising ? rising : falling).push_back(crank_deg);
    }
    uncertain_deg = std::max(uncertain_deg, edge.uncertain_deg);
  }
  std::string text = "\n[[cam]]\nname = \"" + std::string(cam.index ? "index-" : "cam-") + std::to_string(index) +
                     "\"\nchannel = " + quoted(cam.channel) + "\n";
  text += cam.index ? "period_deg = 360  # the same in every turn\n" : "";
  text += "# Each to within " + number(std::max(0.1, uncertain_deg), 1) +
          " degrees, as the cam stood; a phaser or a belt a tooth off does not show.\n";
  if (cam.both_edges) {
    text += "rising_deg = " + listed(rising, period_deg) + "\nfalling_deg = " + listed(falling, period_deg) + "\n";
  } else {
    const bool rises = cam.edges.front().edge == ActiveEdge::rising;
    text += std::string("active_edge = ") + (rises ? "\"rising\"" : "\"falling\"") +
            (cam.edge_by_choice ? "  # both edges are as steady\n" : "\n");
    text += "edges_deg = " + listed(rises ? rising : falling, period_deg) + "\n";
  }
  return text + "tolerance_deg = " + number(tolerance_of(cam, *learned.wheel), 2) + "\n";
}

std::string reference_section(const FoundReference& found, const Known& known) {
  std::string text = "\n[reference]\nchannel = " + quoted(found.channel) + "\nactive_edge = " + edge_text(found.edge);
  text += std::string("\nmarks = ") + (known.advance_deg ? "\"spark\"" : "\"tdc\"") +
          "\nperiod_deg = " + (found.period_deg > deg_per_rev ? "720" : "360") + "\n";
  return text + (known.advance_deg ? "advance_deg = " + number(*known.advance_deg, 2) + "  # as told\n" : "");
}

}  // namespace

std::string wheel_words(const FoundWheel& wheel) {
  const std::string on_cam = wheel.shaft == WheelShaft::cam ? " on the cam" : "";
  if (!wheel.pitched) {
    return std::to_string(wheel.angles_deg.size()) + " teeth at angles of their own" + on_cam;
  }
  if (wheel.gaps.empty()) {
    return std::to_string(wheel.positions) + (wheel.positions == 1 ? " tooth" : " even teeth") + on_cam;
  }
  std::string text = std::to_string(wheel.positions);
  for (const WheelGap& gap : wheel.gaps) {
    text += "-" + std::to_string(gap.missing);
  }
  return text + on_cam;
}

std::string engine_toml(const Learned& learned, const Known& known, const std::string& source) {
  std::string text =
      "# As found, not as correct: what the edges of " + source +
      "\n# show, by crankwitness learn. Whether it is what the engine's maker meant, no edge tells: hold it\n"
      "# against the drawing, and measure the trigger offset before anything depends on it.\n\n";
  text += engine_section(learned, known);
  text += crank_section(learned, known);
  int index = 0;
  for (const FoundCam& cam : learned.cams) {
    text += cam_section(cam, ++index, learned);
  }
  return text + (learned.reference ? reference_section(*learned.reference, known) : "");
}

}  // namespace cw::learn
