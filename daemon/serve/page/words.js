// Plain words and numbers for what the daemon sends. Nothing here touches the page, so that node can test it.

// Shapes differ as much as colours do: filled, half, open, crossed, square. No tick: a known position is not yet a sound
// engine.
export const states = {
  "cycle-locked": {
    word: "Cycle locked",
    text: "Crank position known in the whole engine cycle.",
    shape: '<circle cx="50" cy="50" r="46"/><circle class="ink" cx="50" cy="50" r="16"/>',
  },
  "revolution-locked": {
    word: "Turn locked",
    text: "Crank position known within one turn; which of the turns is not known yet.",
    shape: '<circle cx="50" cy="50" r="42" class="line"/><path d="M50 4a46 46 0 0 1 0 92z"/>',
  },
  searching: {
    word: "Searching",
    text: "Edges come; the position is not known yet.",
    shape: '<circle cx="50" cy="50" r="40" class="line dashed"/><circle cx="50" cy="50" r="10"/>',
  },
  lost: {
    word: "Sync lost",
    text: "The position was known; the edges contradict it.",
    shape: '<path d="M30 4h40l26 26v40L70 96H30L4 70V30Z"/><path class="ink" d="M32 32 68 68M68 32 32 68" fill="none" stroke-width="11"/>',
  },
  "no-signal": {
    word: "No signal",
    text: "No crank edges: the engine stands, or nothing reaches us.",
    shape: '<rect x="8" y="8" width="84" height="84" class="line"/>',
  },
  stale: {
    word: "Stale",
    text: "",
    shape: '<path d="M50 6 97 92H3Z"/><path class="ink" d="M45 36h10l-2 30h-6zM45 72h10v10H45z" />',
  },
  waiting: { word: "Waiting", text: "No word from the daemon yet.", shape: '<circle cx="50" cy="50" r="40" class="line dashed"/>' },
};

export const severityWords = { info: "note", warning: "warning", fault: "FAULT" };
const suspects = {
  "sensor-or-wiring": "sensor or wiring",
  wheel: "crank wheel",
  "cam-drive": "cam drive",
  ecu: "ECU",
  "capture-link": "capture link",
  undecided: "undecided",
};
export const bases = {
  "piston-stop": "piston stop",
  "verified-mark": "a light on a verified mark",
  unverified: "unverified: TDC agrees with the engine file only",
};

export const unknown = "–";

// A true minus sign, and a plus where the direction matters.
export function fixed(value, decimals) {
  return value === null || value === undefined ? unknown : value.toFixed(decimals).replace("-", "−");
}

export function signed(value, decimals) {
  const text = fixed(value, decimals);
  return text === unknown || text.startsWith("−") ? text : `+${text}`;
}

// 3.2 s, 4 min, 2 h 5 min.
export function duration(seconds) {
  if (seconds === null || seconds === undefined) {
    return unknown;
  }
  if (seconds < 10) {
    return `${seconds.toFixed(1)} s`;
  }
  if (seconds < 120) {
    return `${Math.round(seconds)} s`;
  }
  const minutes = Math.round(seconds / 60);
  return minutes < 120 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
}

export function count(number, one, many) {
  return `${number.toLocaleString("en")} ${number === 1 ? one : many}`;
}

// "missed-edge" -> "Missed edge", "tdc-step" -> "TDC step".
export function kindWords(kind) {
  const words = kind.replaceAll("-", " ").replace(/^(tdc|ecu)\b/, (name) => name.toUpperCase());
  return words[0].toUpperCase() + words.slice(1);
}

export function suspectWords(attribution) {
  return suspects[attribution] ?? "";
}

const units = new Set(["deg", "ms", "us", "ns", "s", "rpm", "pct", "v"]);

// "step_deg", 17.137 -> "step 17.14 deg".
export function valueWords(name, value) {
  const parts = name.split("_");
  const unit = units.has(parts.at(-1)) ? parts.pop() : "";
  const whole = unit === "" && Math.abs(value - Math.round(value)) < 0.0005;
  return `${parts.join(" ")} ${fixed(value, whole ? 0 : 2)}${unit === "" ? "" : ` ${unit}`}`;
}

export function placeWords(finding) {
  const parts = [];
  if (finding.channel) parts.push(finding.channel);
  if (finding.tooth !== undefined) parts.push(`tooth ${finding.tooth}`);
  if (finding.angle_deg !== undefined) parts.push(`${fixed(finding.angle_deg, 1)}° after TDC1`);
  if (finding.rpm !== undefined) parts.push(`${fixed(finding.rpm, 0)} rpm`);
  if (finding.cycle !== undefined) parts.push(`cycle ${finding.cycle}`);
  if (finding.count > 1) parts.push(`${finding.count} alike`);
  return parts.join(", ");
}

export function valuesWords(finding) {
  return Object.entries(finding.values ?? {})
    .filter(([name]) => name !== "strict_counter_lost")
    .map(([name, value]) => valueWords(name, value))
    .join(", ");
}

// What has to stand beside a finding for the safety of whoever reads it.
export function cautionFor(kind) {
  if (kind === "cam-step" || kind === "crank-wheel-step") {
    return "Stop: don't restart or crank. Turn the engine by hand only – on an interference engine valves can meet pistons.";
  }
  if (["tdc-deviation", "tdc-step", "tdc-drift", "offset-and-delay", "ecu-offset-changed"].includes(kind)) {
    return "Before load, after any new offset: cranking with fuel off, then idle, then two speeds unloaded. A wrong sign or turn can break starters, backfire or melt pistons.";
  }
  if (kind === "crank-signal-stopped" || kind === "wrong-edge-or-polarity" || kind === "cam-signal-dead") {
    return "Before you work on it: engine stopped, fuel off for cranking tests, leads clear of belts.";
  }
  return "";
}

// The sign for the findings: what is seen, never "healthy".
export function findingsSign(status, findings) {
  const open = findings.filter((told) => told.open && told.finding.severity !== "info");
  const worst = status.gravest;
  const counts = status.counts.findings;
  const sofar = `${count(counts.fault, "fault", "faults")}, ${count(counts.warning, "warning", "warnings")} since the start`;
  if (worst === "info") {
    const ever = counts.fault + counts.warning > 0;
    if (!ever && status.counts.cycles === 0) {
      return { sign: "unknown", word: "Nothing judged yet", text: "no engine cycle has been seen" };
    }
    const not = status.not_watched.length > 0 ? `not watched: ${status.not_watched.join("; ")}` : "";
    return { sign: "good", word: ever ? "No fault in the last 10 min" : "No fault seen", text: [ever ? sofar : "", not].filter(Boolean).join("; ") };
  }
  const gravest = findings.find((told) => told.finding.severity === worst && (told.open || open.length === 0)) ??
    findings.find((told) => told.finding.severity === worst);
  const name = gravest ? kindWords(gravest.finding.kind) : severityWords[worst];
  const lasts = gravest?.open ? "lasts" : "in the last 10 min";
  return { sign: worst === "fault" ? "bad" : "doubt", word: `${worst === "fault" ? "Fault" : "Warning"}: ${name}`, text: `${lasts}; ${sofar}` };
}

export function recordingSign(recording, stopping) {
  const lost = recording.lost_items > 0 ? `${count(recording.lost_items, "item", "items")} lost in this session` : "";
  const free = recording.free_bytes === null ? "" : `${bytes(recording.free_bytes)} free`;
  if (!recording.recording) {
    const why = stopping ? "the run is ending" : recording.trouble || (recording.waits_for_disk_s >= 1 ? `the disk has not answered for ${duration(recording.waits_for_disk_s)}` : `nothing written for ${duration(recording.writer_age_s)}`);
    return { sign: "bad", word: "NOT recording", text: [why, lost].filter(Boolean).join("; ") };
  }
  const mode = recording.black_box ? "Recording (black box)" : "Recording";
  return { sign: lost ? "doubt" : "good", word: mode, text: [lost, free].filter(Boolean).join("; ") };
}

export function bytes(number) {
  const gib = number / 2 ** 30;
  return gib >= 1 ? `${gib.toFixed(1)} GiB` : `${(number / 2 ** 20).toFixed(0)} MiB`;
}

export function linksSign(status) {
  const sources = status.sources;
  const away = sources.filter((source) => !source.open);
  const bad = sources.reduce((sum, source) => sum + source.bad_inputs, 0);
  const lost = status.counts.lost_items;
  const trouble = [];
  if (lost > 0) trouble.push(`${count(lost, "item", "items")} lost`);
  if (bad > 0) trouble.push(`${count(bad, "bad line or frame", "bad lines or frames")}`);
  const heard = Math.min(...sources.map((source) => source.heard_age_s ?? Infinity));
  const last = Number.isFinite(heard) ? `last data ${duration(heard)} ago` : "nothing has come yet";
  if (sources.length === 0) {
    return { sign: "unknown", word: "No source", text: "" };
  }
  if (away.length > 0) {
    return { sign: "bad", word: away.length === sources.length ? "Link is gone" : "A link is gone", text: [away.map((source) => source.address).join(", "), ...trouble].join("; ") };
  }
  return { sign: trouble.length > 0 ? "doubt" : "good", word: sources.length === 1 ? "Link open" : `${sources.length} links open`, text: [last, ...trouble].join("; ") };
}

// The tiles: [name, value, unit, note, verdict], verdict "" | "doubt" | "bad".
export function numbers(status) {
  const { crank, ecu, engine } = status;
  const deviation = crank.tdc_deviation_deg;
  const size = Math.abs(deviation ?? 0);
  const known = status.state === "cycle-locked" || status.state === "revolution-locked";
  const list = [
    { id: "rpm", name: "Speed", value: fixed(crank.rpm, 0), unit: "rpm", note: ecu.rpm === null ? "" : `ECU says ${fixed(ecu.rpm, 0)}` },
    {
      id: "deviation",
      name: "TDC against the ECU",
      value: signed(deviation, 2),
      unit: "°",
      note: !engine.reference
        ? "not watched: no reference in the engine file"
        : deviation === null
          ? "no reading"
          : `± ${fixed(crank.tdc_uncertainty_deg, crank.tdc_uncertainty_deg < 0.01 ? 3 : 2)}° (TDC, 95 %); readings spread ${fixed(crank.tdc_deviation_spread_deg, 2)}°; ${size < 0.005 ? "" : deviation > 0 ? "ECU late; " : "ECU early; "}offset: ${bases[engine.offset_basis]}`,
      verdict: deviation === null ? "" : size >= engine.tdc_fault_deg ? "bad" : size >= engine.tdc_warning_deg ? "doubt" : "",
    },
  ];
  for (const cam of status.cams) {
    const off = cam.fixed && cam.phase_deg !== null && Math.abs(cam.phase_deg) >= cam.warning_deg;
    list.push({
      id: `cam-${cam.name}`,
      name: `Cam ${cam.name}`,
      value: signed(cam.phase_deg, 2),
      unit: "°",
      note: cam.phase_deg === null ? "no reading" : cam.fixed ? `from park; fixed cam, warns at ${fixed(cam.warning_deg, 1)}°` : `from park; travels ${fixed(cam.travel_deg[0], 0)} to ${fixed(cam.travel_deg[1], 0)}°`,
      verdict: off ? "doubt" : "",
    });
  }
  const low = crank.sync_margin !== null && crank.sync_margin < engine.margin_warning;
  list.push({
    id: "margin",
    name: "Sync margin",
    value: fixed(crank.sync_margin, 2),
    unit: "",
    note: crank.sync_margin === null ? (known ? "no gap to judge" : "no reading") : "1 ideal, 0: gap and tooth can be confused",
    verdict: low ? "doubt" : "",
  });
  if (ecu.agrees !== null || ecu.state !== null || ecu.advance_deg !== null) {
    list.push({
      id: "ecu",
      name: "ECU on CAN",
      value: ecu.agrees === null ? unknown : ecu.agrees ? "agrees" : "disagrees",
      unit: "",
      note: [ecu.state === null ? "" : `says ${ecu.state}`, ecu.advance_deg === null ? "" : `advance ${fixed(ecu.advance_deg, 1)}°`].filter(Boolean).join("; "),
      verdict: ecu.agrees === false ? "bad" : "",
    });
  }
  return list;
}

// What stands behind it: [name, text]. When the daemon is gone only what does not change.
export function background(status, gone) {
  const { counts, recording, clock } = status;
  const rows = [
    ["Not watched", status.not_watched.join("; ") || "nothing is left out that the engine file describes"],
    ["Session", recording.folder],
  ];
  if (gone) {
    return rows;
  }
  rows.push(
    ["Since the start", `${count(counts.cycles, "cycle", "cycles")}, ${count(counts.edges, "edge", "edges")} (${count(counts.extra_edges, "extra", "extra")}, ${count(counts.missed_edges, "missed", "missed")}), ${count(counts.can_frames, "CAN frame", "CAN frames")}`],
  );
  for (const source of status.sources) {
    rows.push(["Source", `${source.driver}:${source.address}, ${source.open ? "open" : "GONE"}, ${source.heard_age_s === null ? "nothing has come yet" : `last data ${duration(source.heard_age_s)} ago`}`]);
  }
  if (clock.skew_ppm !== null) {
    rows.push(["Device clock", `${signed(clock.skew_ppm, 1)} ppm slow against this computer, ± ${fixed(clock.uncertainty_ms, 2)} ms`]);
  }
  rows.push(["Program", status.program]);
  return rows;
}
