#include "report/evidence_drawing.hpp"

#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"
#include "report/finding_words.hpp"
#include "report/svg.hpp"

namespace cw {

namespace {

constexpr double width = 960;
constexpr double left = 128;
constexpr double right = width - 16;
constexpr double labels_height = 40;
constexpr double teeth_height = 22;
constexpr double edges_height = 44;
constexpr double counter_height = 26;
constexpr std::size_t labels_max = 12;

std::string angle_words(double angle_deg) {
  return fixed(angle_deg, 1) + " deg";
}

class Drawing {
 public:
  Drawing(const EvidencePicture& picture, double cycle_deg)
      : picture_(picture), cycle_deg_(cycle_deg), x_{picture.from_x, picture.to_x, left, right} {}

  std::string draw(const std::string& id, const std::string& label);

 private:
  double height() const;
  void shade_unknown(Svg& svg, double bottom) const;
  void draw_teeth(Svg& svg, double y, const EvidenceRow& row);
  void draw_spans(Svg& svg, double y, const EvidenceRow& row);
  void draw_edges(Svg& svg, double y, const EvidenceRow& row, bool with_labels);
  void draw_counter(Svg& svg, double y) const;
  void draw_axis(Svg& svg, double y) const;
  void label_at(Svg& svg, double at, const std::string& words, double from_y);
  double angle_of(double x) const { return wrap_deg(picture_.angle_at_0_deg + x, cycle_deg_); }

  const EvidencePicture& picture_;
  double cycle_deg_ = 720;
  Scale x_;
  std::size_t labels_ = 0;
  double last_label_end_[2] = {-1e9, -1e9};
};

double Drawing::height() const {
  const auto rows = static_cast<double>(picture_.rows.size());
  return labels_height + (picture_.by_time ? 0 : teeth_height) + rows * edges_height +
         (picture_.has_counter ? counter_height : 0) + 48;
}

// Words above the rows, in two lines so that neighbours don't overlap; what finds no room is left out (it is in the text).
void Drawing::label_at(Svg& svg, double at, const std::string& words, double from_y) {
  constexpr double letter_width = 6.6;
  const double half = static_cast<double>(words.size()) * letter_width / 2;
  const double middle = std::clamp(at, left + half, right - half);
  for (int line = 0; line < 2 && labels_ < labels_max; ++line) {
    if (middle - half > last_label_end_[line] + 8) {
      const double y = 12 + line * 14;
      svg.text(middle, y, words, Svg::Anchor::middle, "odd-label");
      svg.line(at, y + 3, at, from_y, "odd-lead");
      last_label_end_[line] = middle + half;
      ++labels_;
      return;
    }
  }
}

void Drawing::shade_unknown(Svg& svg, double bottom) const {
  for (const Stretch& stretch : picture_.unknown) {
    const double x1 = x_.at(stretch.from_x);
    svg.rect(x1, labels_height, x_.at(stretch.to_x) - x1, bottom - labels_height, "unknown",
             "position of the crank not known here");
  }
}

void Drawing::draw_teeth(Svg& svg, double y, const EvidenceRow& row) {
  svg.text(left - 8, y + 14, "expected teeth", Svg::Anchor::end);
  std::string teeth;
  std::string unsure;
  for (const ExpectedEdge& edge : row.expected) {
    const double at = x_.at(edge.x);
    if (edge.missing) {
      svg.path(diamond(at, y + 10, 7), "miss", "tooth " + std::to_string(edge.tooth) + ": no edge");
      label_at(svg, at, "tooth " + std::to_string(edge.tooth) + " missing", y + 2);
    } else {
      (edge.unsure ? unsure : teeth) += move_to(at, y + 4) + line_to(at, y + 16);
    }
    if (edge.tooth == 1) {
      svg.text(at, y + 2, "1", Svg::Anchor::middle, "n");
    }
  }
  svg.path(teeth, "tooth");
  svg.path(unsure, "tooth-unsure");
}

// Where a cam edge or the ECU's mark may come.
void Drawing::draw_spans(Svg& svg, double y, const EvidenceRow& row) {
  for (const ExpectedEdge& edge : row.expected) {
    const double x1 = std::max(x_.at(edge.from_x), left);
    const double x2 = std::max(std::min(x_.at(edge.to_x), right), x1 + 2);
    svg.rect(x1, y + 6, x2 - x1, edges_height - 14, edge.missing ? "span-missing" : "span",
             edge.missing ? "expected here, no edge came" : "expected here");
    if (edge.missing) {
      const double at = x_.at(edge.x);
      svg.path(diamond(at, y + edges_height / 2 - 1, 7), "miss");
      label_at(svg, at, row.name + ": no edge", y + 6);
    }
  }
}

// Of all odd edges of a row, at the first of them.
std::string odd_words(const EvidenceRow& row, bool crank) {
  const auto count = static_cast<std::uint64_t>(std::count_if(
      row.edges.begin(), row.edges.end(), [](const EvidenceEdge& edge) { return edge.sense == EdgeSense::odd; }));
  const std::string words = crank ? count_of(count, "edge too many", "edges too many") : row.name + ": out of place";
  return count > 1 && !crank ? words + " (" + std::to_string(count) + ")" : words;
}

// An edge is a stroke with a head that points up where the signal rises and down where it falls.
void Drawing::draw_edges(Svg& svg, double y, const EvidenceRow& row, bool with_labels) {
  svg.text(left - 8, y + 26, with_labels ? row.name + " edges" : row.name, Svg::Anchor::end);
  const double top = y + 8;
  const double bottom = y + edges_height - 8;
  svg.line(left, bottom, right, bottom, "grid");
  std::string sound;
  std::string unplaced;
  std::string not_counted;
  std::string heads;
  std::size_t odd = 0;
  constexpr std::size_t crowded = 140;  // heads would run together
  for (const EvidenceEdge& edge : row.edges) {
    const double at = x_.at(edge.x);
    const std::string stroke = move_to(at, bottom) + line_to(at, top);
    switch (edge.sense) {
      case EdgeSense::expected:
        sound += stroke;
        heads += row.edges.size() > crowded ? "" : triangle(at, edge.rising ? top : bottom, 2.6, edge.rising);
        break;
      case EdgeSense::unplaced:
        unplaced += stroke;
        break;
      case EdgeSense::not_counted:
        not_counted += move_to(at, bottom) + line_to(at, bottom - 9);
        break;
      case EdgeSense::odd:
        ++odd;
        svg.path(stroke + cross(at, top - 2, 4), "odd",
                 "edge out of place at " + angle_words(angle_of(edge.x)) + " after TDC1");
        if (odd == 1) {
          label_at(svg, at, odd_words(row, with_labels), top - 6);
        }
        break;
    }
  }
  svg.path(not_counted, "edge-other");
  svg.path(unplaced, "edge-unplaced");
  svg.path(sound, "edge");
  svg.path(heads, "edge-head");
}

void Drawing::draw_counter(Svg& svg, double y) const {
  svg.text(left - 8, y + 16, "a plain counter", Svg::Anchor::end);
  svg.rect(left, y + 6, right - left, 12, "in-sync", "a plain counter would have been in sync");
  for (const Stretch& stretch : picture_.silent) {
    const double x1 = x_.at(stretch.from_x);
    svg.rect(x1, y + 3, x_.at(stretch.to_x) - x1, 18, "silent", "no crank edge: nothing to count");
    svg.text((x1 + x_.at(stretch.to_x)) / 2, y + 16, "no edges to count", Svg::Anchor::middle);
  }
  for (const Stretch& stretch : picture_.counter_out) {
    const double x1 = x_.at(stretch.from_x);
    const double x2 = x_.at(stretch.to_x);
    svg.rect(x1, y + 4, x2 - x1, 16, "out-of-sync", "a plain counter would have been out of sync");
    constexpr double room = 80;
    if (x2 - x1 > room) {
      svg.text((x1 + x2) / 2, y + 16, "out of sync", Svg::Anchor::middle, "on-bar");
    }
  }
}

void Drawing::draw_axis(Svg& svg, double y) const {
  svg.line(left, y, right, y, "axis");
  if (picture_.by_time) {
    const Ticks ticks = ticks_within(picture_.from_x, picture_.to_x, 8);
    for (const double tick : ticks.values) {
      svg.line(x_.at(tick), y, x_.at(tick), y + 5, "axis");
      svg.text(x_.at(tick), y + 18, fixed(tick, ticks.decimals), Svg::Anchor::middle, "n");
    }
    svg.text((left + right) / 2, y + 34, "milliseconds from the finding", Svg::Anchor::middle);
    return;
  }
  constexpr double wide_deg = 500;
  const double step = picture_.to_x - picture_.from_x > wide_deg ? 90 : 30;
  for (const double deg :
       multiples_within(picture_.angle_at_0_deg + picture_.from_x, picture_.angle_at_0_deg + picture_.to_x, step)) {
    const double at = x_.at(deg - picture_.angle_at_0_deg);
    const double angle = wrap_deg(deg, cycle_deg_);
    const bool tdc1 = angle < 0.01 || angle > cycle_deg_ - 0.01;
    if (tdc1) {
      svg.line(at, labels_height, at, y, "tdc");
    }
    svg.line(at, y, at, y + 5, "axis");
    svg.text(at, y + 18, tdc1 ? "TDC1" : fixed(angle, 0), Svg::Anchor::middle, tdc1 ? "h" : "n");
  }
  const std::string turn = picture_.ns_per_deg > 0
                               ? "; a turn takes " + fixed(picture_.ns_per_deg * deg_per_rev * 1e-6, 2) + " ms here"
                               : "";
  svg.text(
      (left + right) / 2, y + 34,
      std::string("crank angle, degrees after TDC1") + (picture_.cycle_known ? "" : " or the TDC a turn later") + turn,
      Svg::Anchor::middle);
}

std::string Drawing::draw(const std::string& id, const std::string& label) {
  std::string words;
  for (const std::string& sentence : evidence_in_words(picture_, cycle_deg_)) {
    words += sentence + " ";
  }
  Svg svg(id, width, height(), "Raw edges around: " + label, words);
  const double axis_y = height() - 44;
  shade_unknown(svg, axis_y);
  svg.line(x_.at(0), labels_height - 4, x_.at(0), axis_y, "here");
  double y = labels_height;
  if (!picture_.by_time) {
    draw_teeth(svg, y, picture_.rows.front());
    y += teeth_height;
  }
  for (std::size_t i = 0; i < picture_.rows.size(); ++i) {
    if (i > 0) {
      draw_spans(svg, y, picture_.rows[i]);
    }
    draw_edges(svg, y, picture_.rows[i], i == 0);
    y += edges_height;
  }
  if (picture_.has_counter) {
    draw_counter(svg, y);
  }
  draw_axis(svg, axis_y);
  return svg.finish();
}

// "tooth 23 (90.0 deg), tooth 24 (96.0 deg) and 3 more".
std::string list_of(const std::vector<std::string>& all, std::size_t most) {
  std::string out;
  for (std::size_t i = 0; i < std::min(all.size(), most); ++i) {
    out += (i > 0 ? ", " : "") + all[i];
  }
  return all.size() > most ? out + " and " + std::to_string(all.size() - most) + " more" : out;
}

void tell_row(const EvidenceRow& row, bool crank, const EvidencePicture& picture, double cycle_deg,
              std::vector<std::string>& out) {
  constexpr std::size_t listed = 8;
  std::vector<std::string> missing;
  std::vector<std::string> odd;
  for (const ExpectedEdge& edge : row.expected) {
    if (edge.missing) {
      const std::string at = angle_words(wrap_deg(picture.angle_at_0_deg + edge.x, cycle_deg));
      missing.push_back(crank ? "tooth " + std::to_string(edge.tooth) + " (" + at + ")" : "at " + at);
    }
  }
  for (const EvidenceEdge& edge : row.edges) {
    if (edge.sense == EdgeSense::odd) {
      odd.push_back("at " + angle_words(wrap_deg(picture.angle_at_0_deg + edge.x, cycle_deg)));
    }
  }
  const std::string who = crank ? "Crank" : row.name == "ECU mark" ? "ECU mark" : "Cam " + row.name;
  if (!missing.empty()) {
    out.push_back(who + ": no edge of " + (crank ? "" : "the one expected ") + list_of(missing, listed) + ".");
  }
  if (!odd.empty()) {
    out.push_back(who + ": " +
                  count_of(odd.size(), crank ? "edge too many " : "edge out of place ",
                           crank ? "edges too many " : "edges out of place ") +
                  list_of(odd, listed) + ".");
  }
}

}  // namespace

std::vector<std::string> evidence_in_words(const EvidencePicture& picture, double cycle_deg) {
  std::vector<std::string> out;
  if (picture.by_time) {
    out.emplace_back(
        "The position of the crank was not known near it, so the edges stand over time, and nothing is expected "
        "anywhere.");
  }
  for (std::size_t i = 0; i < picture.rows.size(); ++i) {
    tell_row(picture.rows[i], i == 0, picture, cycle_deg, out);
  }
  if (!picture.unknown.empty() && !picture.by_time) {
    double sum = 0;
    for (const Stretch& stretch : picture.unknown) {
      sum += stretch.to_x - stretch.from_x;
    }
    out.push_back("Over " + fixed(sum, 0) + " degrees of it (shaded) the position of the crank was not known.");
  }
  if (!picture.silent.empty()) {
    out.emplace_back("For a time no crank edge came at all.");
  }
  if (!picture.has_counter) {
    out.emplace_back("A plain counter of teeth and one gap can't work on this wheel.");
  } else if (picture.counter_out.empty()) {
    out.emplace_back(picture.silent.empty() ? "A plain counter of teeth and gap would have kept its sync here."
                                            : "A plain counter of teeth and gap was in sync until then.");
  } else {
    out.emplace_back(picture.counter_out.front().from_x <= picture.from_x
                         ? "A plain counter of teeth and gap would have been out of sync here already."
                         : "A plain counter of teeth and gap would have lost its sync here.");
  }
  if (picture.left_out > 0) {
    out.push_back(count_of(picture.left_out, "edge", "edges") + " more in this stretch are not drawn.");
  }
  return out;
}

std::string evidence_svg(const std::string& id, const std::string& label, const EvidencePicture& picture,
                         double cycle_deg) {
  return Drawing(picture, cycle_deg).draw(id, label);
}

}  // namespace cw
