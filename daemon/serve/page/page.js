// Puts what the daemon says on the page. An old number never looks live: when the daemon is gone or its analysis is stale
// all numbers are taken away.
import { connect } from "./connection.js";
import { showFindings } from "./findings.js";
import { rebuild, redraw, setClock, setMinutes, takeRows } from "./plots.js";
import { background, cautionFor, duration, findingsSign, linksSign, numbers, recordingSign, states, unknown } from "./words.js";

const moment = new Intl.DateTimeFormat("en-GB", { dateStyle: "medium", timeStyle: "medium" });
const at = (id) => document.getElementById(id);
let latest = null;
let latest_at = 0;
let findings = [];
let shown_state = "";
let page_version = null;
let link = "waiting";

function setText(element, text) {
  if (element.textContent !== text) {
    element.textContent = text;
  }
}

// What was so when it was sent has grown older since.
function aged(seconds) {
  return seconds === null ? null : seconds + (performance.now() - latest_at) / 1000;
}

function showState(name, text) {
  const state = states[name] ?? states.waiting;
  if (shown_state !== name) {
    shown_state = name;
    at("state").dataset.state = name;
    at("state-shape").innerHTML = state.shape;
    setText(at("state-word"), state.word);
  }
  setText(at("state-text"), text);
  document.title = `${state.word} – ${latest?.engine.name ?? "crankwitness"}`;
}

function showSign(id, sign) {
  at(id).dataset.sign = sign.sign;
  setText(at(`${id}-word`), sign.word);
  setText(at(`${id}-text`), sign.text);
}

// Name and value pairs, made once and then only changed.
function showPairs(list, pairs, fill) {
  while (list.childElementCount > pairs.length) {
    list.lastElementChild.remove();
  }
  pairs.forEach((pair, i) => {
    let box = list.children[i];
    if (!box) {
      box = document.createElement("div");
      box.append(document.createElement("dt"), document.createElement("dd"));
      list.append(box);
    }
    fill(box, pair);
  });
}

function showNumbers(live) {
  showPairs(at("number-list"), numbers(latest), (box, number) => {
    box.id = `number-${number.id}`;
    box.dataset.verdict = live ? (number.verdict ?? "") : "";
    setText(box.children[0], number.name);
    const value = box.children[1];
    if (value.childElementCount === 0) {
      for (const name of ["value", "unit", "note"]) {
        const part = document.createElement("span");
        part.className = name;
        value.append(part);
      }
    }
    const mark = { doubt: " – beyond its warning limit", bad: " – beyond its fault limit" }[box.dataset.verdict] ?? "";
    setText(value.children[0], live ? number.value : unknown);
    setText(value.children[1], value.children[0].textContent === unknown ? "" : number.unit);
    setText(value.children[2], live ? number.note + mark : "not known");
  });
}

function showCaution() {
  const kinds = findings.filter((told) => told.open || told.finding.severity === "fault").map((told) => cautionFor(told.finding.kind));
  const words = kinds.find((text) => text.startsWith("Stop")) ?? "";
  at("caution").hidden = words === "";
  setText(at("caution"), words);
}

function show() {
  if (latest === null) return;
  const told = aged(latest.told_age_s);
  const stale = latest.stale || (told !== null && told > 4);
  const gone = link === "gone";
  const live = !stale && !gone;
  document.body.dataset.link = link;
  document.body.dataset.live = live ? "yes" : "no";
  setText(at("engine"), latest.engine.name);
  setText(at("since"), `witness of this engine since ${moment.format(new Date(latest.started))}`);
  if (gone) {
    showState("stale", "What was shown is no longer known to be so.");
  } else if (stale) {
    showState("stale", `The analysis has said nothing for ${duration(told)}: no number here is live.`);
  } else {
    const more = latest.stopping ? " The run is ending." : "";
    showState(latest.state, `${states[latest.state].text} For ${duration(aged(latest.state_age_s))}.${more}`);
  }
  const none = { sign: "unknown", word: unknown, text: "not known" };
  showSign("sign-findings", live ? findingsSign(latest, findings) : { ...none, word: "Findings?", text: "those told so far: see the list" });
  showSign("sign-recording", gone ? { ...none, word: "Recording?", text: "not known" } : recordingSign(latest.recording, latest.stopping));
  showSign("sign-links", gone ? { ...none, word: "Link?", text: "not known" } : linksSign(latest));
  showNumbers(live);
  showPairs(at("more-list"), background(latest, gone), (box, [name, text]) => {
    setText(box.children[0], name);
    setText(box.children[1], text);
  });
  showCaution();
}

function showGone(seconds) {
  link = "gone";
  at("gone").hidden = false;
  setText(at("gone-word"), "No connection");
  const ago = seconds === null ? "The daemon has not answered since this page was opened." : `Last heard ${duration(seconds)} ago, at ${new Date(Date.now() - seconds * 1000).toLocaleTimeString("en-GB")}.`;
  setText(at("gone-why"), `${ago} The daemon has stopped, the network is down, or too many pages are open. Nothing here is live. Trying again.`);
  if (latest === null) {
    document.body.dataset.link = link;
    document.body.dataset.live = "no";
    showState("stale", "No word from the daemon.");
  }
  show();
  redraw();
}

connect({
  status(value) {
    if (page_version !== null && value.page !== page_version) {
      location.reload();  // the daemon was replaced by another version
    }
    page_version = value.page;
    latest = value;
    latest_at = performance.now();
    setClock(value.now_ms);
  },
  findings(list) {
    findings = list;
    showFindings(list);
  },
  rows: takeRows,
  heard() {
    if (link !== "open") {
      link = "open";
      at("gone").hidden = true;
      setText(at("gone-word"), "");
    }
    show();
  },
  lost: showGone,
});
setInterval(() => {
  if (link === "open") show();
}, 500);

// Theme: as the system, light, dark; kept in this browser.
const themes = ["system", "light", "dark"];
const names = { system: "as the system", light: "light", dark: "dark" };
function keptTheme() {
  try {
    return localStorage.getItem("theme") ?? "system";
  } catch {
    return "system";
  }
}
function setTheme(theme) {
  document.documentElement.dataset.theme = theme;
  setText(at("theme"), `Theme: ${names[theme] ?? theme}`);
  try {
    localStorage.setItem("theme", theme);
  } catch {
    // A browser that keeps nothing: it stays for as long as the page does.
  }
  rebuild();
}
function nextTheme() {
  const now = themes.indexOf(document.documentElement.dataset.theme);
  setTheme(themes[(now + 1) % themes.length]);
}
setTheme(themes.includes(keptTheme()) ? keptTheme() : "system");
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", rebuild);
at("theme").addEventListener("click", nextTheme);
document.addEventListener("keydown", (event) => {
  if (event.key === "t" && !event.ctrlKey && !event.altKey && !event.metaKey) nextTheme();
});
for (const button of document.querySelectorAll("[data-minutes]")) {
  button.addEventListener("click", () => {
    for (const other of document.querySelectorAll("[data-minutes]")) {
      other.setAttribute("aria-pressed", String(other === button));
    }
    setMinutes(Number(button.dataset.minutes));
  });
}
