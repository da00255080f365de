// The rolling plots (uPlot). Time runs on to now whatever comes: where nothing comes the line ends and a gap grows.
import uPlot from "./uPlot.esm.js";
import { fixed, signed } from "./words.js";

const rows_max = 900;
// Columns of a row, status.schema.json; cams follow.
const column = { time: 0, state: 1, rpm: 2, deviation: 3, uncertainty: 4, margin: 5, ecu_rpm: 6, cams: 7 };
// Okabe-Ito; dashes and the legend tell lines apart without colour.
const colours = { light: ["#0072B2", "#D55E00", "#009E73", "#CC79A7"], dark: ["#56B4E9", "#E69F00", "#009E73", "#CC79A7"] };
const dashes = [[], [8, 4], [2, 3], [8, 3, 2, 3]];

const widths = new ResizeObserver(() => {
  for (const { box, plot } of plots) {
    if (box.clientWidth > 0 && Math.abs(box.clientWidth - plot.width) > 1) {
      plot.setSize({ width: box.clientWidth, height: 170 });
    }
  }
});

let cams = [];
let rows = [];
let plots = [];
let minutes = 5;
let clock_ahead_ms = 0;  // of the daemon's clock against ours

const css = (name) => getComputedStyle(document.body).getPropertyValue(name).trim();
const dark = () => css("--theme") === "dark";

function series(label, from, number, format, width = 2) {
  return { label, from, spec: { label, stroke: () => colours[dark() ? "dark" : "light"][number % 4], width, dash: dashes[number % 4], spanGaps: false, points: { show: false }, value: (_, value) => format(value ?? null) } };
}

function wanted() {
  const list = [
    { id: "speed", title: "Speed, rpm", lines: [series("witness", (row) => row[column.rpm], 0, (value) => fixed(value, 0)), series("ECU", (row) => row[column.ecu_rpm], 1, (value) => fixed(value, 0))] },
    {
      id: "deviation",
      title: "TDC against the ECU, degrees, + is late",
      least_span: 1,
      bands: [{ series: [1, 3] }],
      lines: [
        series("upper, 95 %", (row) => sum(row, 1), 0, (value) => signed(value, 2), 1),
        series("deviation", (row) => row[column.deviation], 0, (value) => signed(value, 2)),
        series("lower, 95 %", (row) => sum(row, -1), 0, (value) => signed(value, 2), 1),
      ],
    },
  ];
  if (cams.length > 0) {
    list.push({ id: "cams", title: "Cams from park, degrees, + is late", least_span: 2, lines: cams.map((name, i) => series(name, (row) => row[column.cams + i], i, (value) => signed(value, 2))) });
  }
  list.push({ id: "margin", title: "Sync margin: 1 ideal, 0 can be confused", range: [0, 1.05], lines: [series("margin", (row) => row[column.margin], 0, (value) => fixed(value, 2))] });
  return list;
}

function sum(row, sign) {
  const deviation = row[column.deviation];
  const uncertainty = row[column.uncertainty];
  return deviation === null || uncertainty === null ? null : deviation + sign * uncertainty;
}

function now_s() {
  return (Date.now() + clock_ahead_ms) / 1000;
}

function values(plan) {
  const times = [];
  const lines = plan.lines.map(() => []);
  let last = null;
  for (const row of rows) {
    const time = row[column.time] / 1000;
    if (last !== null && time - last > 2.5) {
      times.push(last + 0.001);  // nothing was heard here
      for (const line of lines) line.push(null);
    }
    last = time;
    times.push(time);
    plan.lines.forEach((line, i) => lines[i].push(line.from(row)));
  }
  return [times, ...lines];
}

function scale(plan) {
  if (plan.range) return { range: () => plan.range };
  return {
    range: (_, least, greatest) => {
      if (least === null) return [0, 1];
      const middle = (least + greatest) / 2;
      const half = Math.max((greatest - least) * 0.55, (plan.least_span ?? 10) / 2);
      return plan.id === "speed" ? [Math.max(0, middle - half), middle + half] : [middle - half, middle + half];
    },
  };
}

function axis(more) {
  return { stroke: () => css("--ink"), grid: { stroke: () => css("--grid"), width: 1 }, ticks: { stroke: () => css("--grid") }, font: "13px system-ui, sans-serif", ...more };
}

// All boxes first: how wide one is depends on how many there are.
function makeBox(plan) {
  const box = document.createElement("figure");
  box.id = `plot-${plan.id}`;
  const title = document.createElement("figcaption");
  title.textContent = plan.title;
  const place = document.createElement("div");
  place.tabIndex = 0;
  place.setAttribute("role", "img");
  box.append(title, place);
  document.getElementById("plot-list").append(box);
  widths.observe(box);
  return { plan, box, place };
}

function make({ plan, box, place }) {
  const plot = new uPlot(
    {
      width: Math.max(200, box.clientWidth),
      height: 170,
      series: [{ value: (_, value) => (value === null || value === undefined ? "now" : new Date(value * 1000).toLocaleTimeString("en-GB")) }, ...plan.lines.map((line) => line.spec)],
      bands: (plan.bands ?? []).map((band) => ({ ...band, fill: () => css("--band") })),
      scales: { x: { time: true, range: () => [now_s() - minutes * 60, now_s()] }, y: scale(plan) },
      axes: [axis({ values: "{HH}:{mm}:{ss}", space: 80 }), axis({ size: 58 })],
      cursor: { drag: { x: false, y: false } },
      legend: { live: true },
    },
    values(plan),
    place,
  );
  // The arrow keys walk along the line, as the mouse does.
  place.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -1, ArrowRight: 1, Home: -Infinity, End: Infinity }[event.key];
    if (step === undefined || plot.data[0].length === 0) return;
    event.preventDefault();
    const last = plot.data[0].length - 1;
    const at = Math.min(last, Math.max(0, (plot.cursor.idx ?? last) + step));
    plot.setCursor({ left: plot.valToPos(plot.data[0][at], "x"), top: 10 });
  });
  return { plan, box, place, plot };
}

function describe({ plan, place }) {
  const last = rows.at(-1);
  const words = last ? plan.lines.map((line) => `${line.label} ${fixed(line.from(last), 2)}`).join(", ") : "no data yet";
  place.setAttribute("aria-label", `${plan.title}. Latest: ${words}. Arrow keys walk along.`);
}

function build() {
  for (const { plot, box } of plots) {
    widths.unobserve(box);
    plot.destroy();
    box.remove();
  }
  plots = wanted().map(makeBox).map(make);
  plots.forEach(describe);
}

export function takeRows(message) {
  const other = message.cams.join("\n") !== cams.join("\n");
  if (other || message.first === 0) {
    rows = [];
    cams = message.cams;
  }
  rows = rows.concat(message.rows).slice(-rows_max);
  if (other || plots.length === 0) {
    build();
  }
  redraw();
  plots.forEach(describe);
}

export function setClock(daemon_now_ms) {
  clock_ahead_ms = daemon_now_ms - Date.now();
}

export function setMinutes(value) {
  minutes = value;
  redraw();
}

export function redraw() {
  for (const { plan, plot } of plots) {
    plot.setData(values(plan));
  }
}

export function rebuild() {
  if (plots.length > 0) build();
}
