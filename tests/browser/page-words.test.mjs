// The live page's words, without a browser: what is said of each state of things, and what is never said.
import assert from "node:assert/strict";
import { test } from "node:test";
import { background, cautionFor, duration, findingsSign, fixed, linksSign, numbers, recordingSign, signed, states, valueWords } from "../../daemon/serve/page/words.js";

const source = { driver: "serial", address: "/dev/x", open: true, heard_age_s: 0.1, bad_inputs: 0 };
const recording = { recording: true, black_box: false, folder: "s", trouble: "", lost_items: 0, free_bytes: 2 ** 31, writer_age_s: 0, waits_for_disk_s: 0 };
function status(more = {}) {
  return {
    program: "crankwitness 1",
    state: "cycle-locked",
    gravest: "info",
    stopping: false,
    engine: { name: "trial", offset_basis: "unverified", reference: true, cycle_deg: 720, tdc_warning_deg: 1, tdc_fault_deg: 3, margin_warning: 0.25 },
    crank: { rpm: 3000.4, sync_margin: 0.9, tdc_deviation_deg: -0.25, tdc_deviation_spread_deg: 0.05, tdc_uncertainty_deg: 0.02, last_edge_age_s: 0 },
    cams: [{ name: "intake", phase_deg: 5, fixed: true, travel_deg: [0, 0], warning_deg: 4 }],
    ecu: { rpm: null, state: null, advance_deg: null, agrees: null },
    clock: { offset_ms: null, skew_ppm: null, uncertainty_ms: null },
    sources: [source],
    recording,
    counts: { sessions: 1, cycles: 5, edges: 10, can_frames: 0, extra_edges: 0, missed_edges: 0, lost_items: 0, unrecorded_items: 0, findings: { info: 0, warning: 0, fault: 0 } },
    not_watched: ["the weather"],
    ...more,
  };
}
const told = (kind, severity, open = false) => ({ open, over: null, told: "2026-01-01T00:00:00.000Z", finding: { kind, severity } });

test("numbers have a true minus, a plus where it matters, and a dash where nothing is known", () => {
  assert.equal(fixed(null, 2), "–");
  assert.equal(fixed(-0.25, 2), "−0.25");
  assert.equal(signed(0.25, 2), "+0.25");
  assert.equal(signed(-0.25, 2), "−0.25");
  assert.equal(signed(undefined, 2), "–");
  assert.equal(valueWords("step_deg", 17.137), "step 17.14 deg");
  assert.equal(valueWords("extra_edges", 32), "extra edges 32");
  assert.equal(duration(3.21), "3.2 s");
  assert.equal(duration(7500), "2 h 5 min");
});

test("each lock state has a word, a sentence and a shape of its own", () => {
  const names = ["no-signal", "searching", "revolution-locked", "cycle-locked", "lost", "stale"];
  assert.equal(new Set(names.map((name) => states[name].word)).size, names.length);
  const shapes = names.map((name) => states[name].shape);
  assert.equal(new Set(shapes).size, names.length);
});

test("no fault seen is said with what is not watched, and not before a cycle was seen", () => {
  const sign = findingsSign(status(), []);
  assert.deepEqual(sign, { sign: "good", word: "No fault seen", text: "not watched: the weather" });
  const still = status();
  still.counts = { ...still.counts, cycles: 0 };
  assert.equal(findingsSign(still, []).sign, "unknown");
});

test("a fault that lasts is named, also when a warning came after it", () => {
  const now = status({ gravest: "fault" });
  const sign = findingsSign(now, [told("missed-edge", "warning"), told("cam-step", "fault", true)]);
  assert.equal(sign.sign, "bad");
  assert.equal(sign.word, "Fault: Cam step");
  assert.match(sign.text, /^lasts/);
});

test("recording is good only when nothing is wrong with it", () => {
  assert.equal(recordingSign(recording, false).sign, "good");
  assert.deepEqual(recordingSign({ ...recording, recording: false, trouble: "the disk is full" }, false), { sign: "bad", word: "NOT recording", text: "the disk is full" });
  assert.match(recordingSign({ ...recording, recording: false, waits_for_disk_s: 4 }, false).text, /has not answered for 4.0 s/);
  assert.equal(recordingSign({ ...recording, lost_items: 7 }, false).sign, "doubt");
  assert.match(recordingSign({ ...recording, black_box: true }, false).word, /black box/);
});

test("a link that is gone is told even when others are there", () => {
  assert.equal(linksSign(status()).sign, "good");
  const sign = linksSign(status({ sources: [source, { ...source, address: "can0", open: false }] }));
  assert.equal(sign.sign, "bad");
  assert.match(sign.text, /can0/);
  assert.equal(linksSign(status({ sources: [{ ...source, bad_inputs: 3 }] })).sign, "doubt");
});

test("a deviation stands with its uncertainty and what the offset rests on", () => {
  const tile = numbers(status()).find((number) => number.id === "deviation");
  assert.equal(tile.value, "−0.25");
  assert.match(tile.note, /± 0.02°.*ECU early.*unverified: TDC agrees with the engine file only/);
  assert.equal(tile.verdict, "");
  const far = status();
  far.crank = { ...far.crank, tdc_deviation_deg: 3.2 };
  assert.equal(numbers(far).find((number) => number.id === "deviation").verdict, "bad");
  const none = status({ engine: { ...status().engine, reference: false } });
  none.crank = { ...none.crank, tdc_deviation_deg: null };
  assert.match(numbers(none).find((number) => number.id === "deviation").note, /not watched/);
});

test("a fixed cam beyond its limit is marked, and the ECU's side is shown when it is known", () => {
  assert.equal(numbers(status()).find((number) => number.id === "cam-intake").verdict, "doubt");
  assert.equal(numbers(status()).some((number) => number.id === "ecu"), false);
  const disagrees = numbers(status({ ecu: { rpm: 2900, state: "lost", advance_deg: 12, agrees: false } }));
  assert.equal(disagrees.find((number) => number.id === "ecu").verdict, "bad");
  assert.match(disagrees.find((number) => number.id === "rpm").note, /ECU says 2900/);
});

test("a jumped cam carries its caution", () => {
  assert.match(cautionFor("cam-step"), /^Stop: don't restart or crank/);
  assert.match(cautionFor("tdc-step"), /fuel off/);
  assert.equal(cautionFor("missed-edge"), "");
});

test("of a daemon that is gone nothing is told that may have changed", () => {
  assert.doesNotMatch(JSON.stringify(background(status(), true)), /open|ago|edges/);
  assert.match(JSON.stringify(background(status(), false)), /last data 0.1 s ago/);
});
