#include "compare/attribution.hpp"

#include <array>
#include <cstddef>

namespace cw {

namespace {

using enum FindingKind;
using enum Circumstance;
using A = Attribution;

constexpr std::string_view crank_circuit = "Crankshaft Position Sensor \"A\" Circuit";
constexpr std::string_view crank_range = "Crankshaft Position Sensor \"A\" Circuit Range/Performance";
constexpr std::string_view crank_intermittent = "Crankshaft Position Sensor \"A\" Circuit Intermittent";
constexpr std::string_view cam_circuit = "Camshaft Position Sensor \"A\" Circuit";
constexpr std::string_view cam_intermittent = "Camshaft Position Sensor \"A\" Circuit Intermittent";
constexpr std::string_view correlation = "Crankshaft Position - Camshaft Position Correlation";
constexpr std::string_view no_restart =
    "stop: do not restart or crank the engine; turn it by hand only - on an interference engine valves can meet "
    "pistons";

// Code titles: SAE J2012, from memory save P0016 (CHECKS in the tests).
const std::vector<AttributionRow>& rows() {
  static const std::vector<AttributionRow> table = {
      {extra_edge,
       one_edge,
       Severity::warning,
       A::sensor_or_wiring,
       "one edge too many between two teeth that are where they should be: the wheel is whole, something was added",
       {"route and shield of the crank sensor wire, away from coil and starter leads", "sensor ground and connector",
        "whether it comes at the same tooth again: then look at that tooth for a burr"},
       "P0336",
       crank_range},
      {noise_burst,
       train,
       Severity::warning,
       A::sensor_or_wiring,
       "many edges too many in a short time with the teeth still among them: interference, or a contact that chatters",
       {"what switched at that moment: starter, fan, injector, radio",
        "crank connector and wire while moving them by hand, engine off", "shield and sensor ground"},
       "P0336",
       crank_range},
      {missed_edge,
       one_edge,
       Severity::warning,
       A::sensor_or_wiring,
       "one tooth gave no edge and its neighbours are where they should be: the signal dropped out for less than a "
       "tooth",
       {"crank sensor air gap and connector", "signal amplitude at this speed (a weak sensor loses teeth at low speed)",
        "whether it is the same tooth again: then look at that tooth"},
       "P0339",
       crank_intermittent},
      {missed_edge,
       teeth_in_a_row,
       Severity::warning,
       A::sensor_or_wiring,
       "several teeth in a row gave no edge and those around them are where they should be: the signal dropped out for "
       "that long",
       {"crank sensor connector and wire while moving them by hand, engine off", "crank sensor air gap",
        "whether they are the same teeth again: then look at those teeth"},
       "P0339",
       crank_intermittent},
      {crank_wheel_step,
       one_interval,
       Severity::fault,
       A::undecided,
       "one interval between teeth was too long or short by no whole number of teeth, and no tooth is missing: the "
       "wheel "
       "slipped on its shaft, or it was hit; no cam is watched that could confirm it",
       {"stop: the ECU fires by this wheel and is off by the same angle",
        "crank wheel, damper ring and hub against the key",
        "trigger offset again with a timing light, fuel off, before the engine is run"},
       "",
       ""},
      {sync_lost,
       position_ambiguous,
       Severity::fault,
       A::sensor_or_wiring,
       "so many edges were wrong within a turn that no position could be supported",
       {"the odd edges before it in this list", "crank sensor, connector and wire", "wheel for damage"},
       "P0336",
       crank_range},
      {sync_lost,
       position_contradicted,
       Severity::fault,
       A::undecided,
       "what came after contradicts the position held before",
       {"the odd edges before it in this list", "crank sensor and wheel", "whether the engine file fits this engine"},
       "",
       ""},
      {crank_signal_stopped,
       cams_go_on,
       Severity::fault,
       A::sensor_or_wiring,
       "the crank signal stopped while the cam went on turning: the engine turned, its sensor did not say so",
       {"crank sensor connector and supply", "wire from sensor to ECU, also where it is tapped",
        "sensor resistance or supply hot, when it fails warm"},
       "P0335",
       crank_circuit},
      {crank_signal_stopped,
       all_silent,
       Severity::fault,
       A::undecided,
       "every signal stopped at speed; no engine stops that fast, so something they share failed",
       {"supply and ground that the sensors share", "the tap and the capture device, its plug and supply",
        "whether the ECU lost the signal too"},
       "P0335",
       crank_circuit},
      {engine_stopped, any, Severity::info, A::none, "the engine ran down and stopped", {}, "", ""},
      {cam_edge_missing,
       any,
       Severity::warning,
       A::sensor_or_wiring,
       "an expected cam edge did not come while the crank teeth and the other cam edges did",
       {"cam sensor air gap and connector", "cam wire while moving it by hand, engine off"},
       "P0344",
       cam_intermittent},
      {cam_extra_edge,
       any,
       Severity::warning,
       A::sensor_or_wiring,
       "a cam edge came where the pattern has none",
       {"route and shield of the cam sensor wire", "cam sensor ground", "cam wheel for a burr or a loose part"},
       "P0341",
       "Camshaft Position Sensor \"A\" Circuit Range/Performance"},
      {cam_signal_dead,
       crank_goes_on,
       Severity::fault,
       A::sensor_or_wiring,
       "no cam edge for several cycles while the crank goes on as before",
       {"cam sensor connector and supply", "wire from sensor to ECU, also where it is tapped",
        "if the engine runs badly: whether the cam turns at all, by hand"},
       "P0340",
       cam_circuit},
      {cam_step,
       whole_teeth_one_cam,
       Severity::fault,
       A::cam_drive,
       "this cam moved by whole teeth of its gear and stayed, the other cams did not: its drive jumped",
       {no_restart, "belt or chain tension and tensioner of this cam", "timing marks of this cam against the crank's"},
       "P0016",
       correlation},
      {cam_step,
       whole_teeth_only_cam,
       Severity::fault,
       A::undecided,
       "the cam moved by whole teeth of its gear and stayed: most likely its belt or chain jumped; with one cam "
       "watched, "
       "a crank wheel that moved by the same angle would look alike",
       {no_restart, "belt or chain tension and tensioner", "timing marks of cam and crank",
        "crank wheel against its key or dowel"},
       "P0016",
       correlation},
      {cam_step,
       whole_teeth_all_cams,
       Severity::fault,
       A::undecided,
       "all cams moved alike by whole teeth: a belt that jumped at the crank pulley and a crank wheel that moved look "
       "the same from here",
       {no_restart, "timing marks of all cams and the crank pulley",
        "crank wheel, damper ring and hub against the key"},
       "P0016",
       correlation},
      {cam_step,
       part_tooth_one_cam,
       Severity::fault,
       A::cam_drive,
       "this cam moved and stayed, by no whole number of teeth, the other cams did not: its gear, key or phaser moved",
       {no_restart, "cam gear bolt and key", "phaser and its lock pin"},
       "P0016",
       correlation},
      {cam_step,
       part_tooth_only_cam,
       Severity::fault,
       A::undecided,
       "the cam moved against the crank wheel by no whole number of teeth: cam gear or phaser, or the crank wheel",
       {no_restart, "cam gear bolt and key, phaser", "crank wheel, damper ring and hub against the key"},
       "P0016",
       correlation},
      {crank_wheel_step,
       part_tooth_all_cams,
       Severity::fault,
       A::wheel,
       "all cams moved alike against the crank wheel, by no whole number of teeth: the wheel moved, not the cams",
       {"stop: the ECU fires by this wheel and is off by the same angle",
        "crank wheel, damper ring and hub against the key",
        "trigger offset again with a timing light, fuel off, before the engine is run"},
       "P0016",
       correlation},
      {cam_deviation,
       any,
       Severity::warning,
       A::undecided,
       "the cam stands outside what the engine file allows",
       {"timing marks of cam and crank, turned by hand", "whether the engine file's cam angles fit this engine",
        "a phaser that is stuck or driven"},
       "P0016",
       correlation},
      {tdc_deviation,
       cams_steady,
       Severity::warning,
       A::ecu,
       "the ECU's mark does not stand where the teeth put it, and the cams do: its trigger offset or its signal delay",
       {"trigger offset entered in the ECU against the engine file's", "timing light at locked advance, at two speeds",
        "whether advance was locked during this test"},
       "",
       ""},
      {tdc_deviation,
       no_cam_watched,
       Severity::warning,
       A::ecu,
       "the ECU's mark is not where teeth and engine file put it: its trigger offset or its signal delay, or the "
       "engine "
       "file's own offset",
       {"trigger offset entered in the ECU against the engine file's", "timing light at locked advance, at two speeds",
        "whether advance was locked during this test"},
       "",
       ""},
      {reference_missing,
       any,
       Severity::warning,
       A::undecided,
       "the ECU's mark stopped while the teeth go on: a cut, an ECU that stopped firing, or the wire",
       {"whether the ECU cut spark or lost sync at that time", "reference wire and conditioner"},
       "",
       ""},
      {margin_low,
       any,
       Severity::warning,
       A::undecided,
       "tooth intervals come near the point where gap and tooth are confused",
       {"crank sensor air gap", "wheel run-out and tooth edges", "whether the sensor is wired with the right polarity"},
       "",
       ""},
      {edges_dropped,
       any,
       Severity::warning,
       A::capture_link,
       "the capture device or the queue lost edges",
       {"baud rate against tooth rate", "load of this computer"},
       "",
       ""},
      {link_lost,
       any,
       Severity::warning,
       A::capture_link,
       "the capture link went away",
       {"plug and cable of the capture device", "its supply"},
       "",
       ""},
      {clock_trouble,
       any,
       Severity::warning,
       A::capture_link,
       "the source's clock went backwards; edges before and after it were not put together",
       {"the capture device and its driver"},
       "",
       ""},
      {sync_regained, any, Severity::info, A::none, "position known again", {}, "", ""},
  };
  return table;
}

}  // namespace

std::string_view to_string(Circumstance circumstance) {
  static constexpr std::array<std::string_view, 18> names = {"any",
                                                             "one odd edge",
                                                             "teeth in a row",
                                                             "one interval",
                                                             "a train of odd edges",
                                                             "position contradicted",
                                                             "position ambiguous",
                                                             "cams go on",
                                                             "all silent",
                                                             "crank goes on",
                                                             "whole teeth, one of several cams",
                                                             "whole teeth, the only cam",
                                                             "whole teeth, all cams",
                                                             "no whole teeth, one of several cams",
                                                             "no whole teeth, the only cam",
                                                             "no whole teeth, all cams",
                                                             "cams steady",
                                                             "no cam watched"};
  return names.at(static_cast<std::size_t>(circumstance));
}

std::span<const AttributionRow> attribution_table() {
  return rows();
}

const AttributionRow& attribute(FindingKind kind, Circumstance circumstance) {
  static const AttributionRow unknown = {
      sync_lost, any, Severity::warning, A::undecided, "the table has no row for these circumstances", {}, "", ""};
  const AttributionRow* general = &unknown;
  for (const AttributionRow& row : rows()) {
    if (row.kind == kind && row.circumstance == circumstance) {
      return row;
    }
    if (row.kind == kind && row.circumstance == any) {
      general = &row;
    }
  }
  return *general;
}

void apply(const AttributionRow& row, FindingKind kind, Finding& finding) {
  finding.kind = kind;
  finding.severity = row.severity;
  finding.attribution = row.attribution;
  finding.reason = row.reason;
  finding.next_checks.assign(row.next_checks.begin(), row.next_checks.end());
  finding.code = row.code;
  finding.title = row.title;
}

}  // namespace cw
