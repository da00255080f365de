// The list of findings: one that is opened stays open while others come.
import { cautionFor, kindWords, placeWords, severityWords, suspectWords, valuesWords } from "./words.js";

function element(name, text, classes) {
  const made = document.createElement(name);
  if (text) made.textContent = text;
  if (classes) made.className = classes;
  return made;
}

function part(list, name, text) {
  if (text) {
    list.append(element("dt", name), element("dd", text));
  }
}

const clock = new Intl.DateTimeFormat("en-GB", { timeStyle: "medium" });
const day = new Intl.DateTimeFormat("en-GB", { dateStyle: "medium" });

function timeWords(told) {
  const at = new Date(told.told);
  const today = day.format(at) === day.format(new Date());
  return today ? clock.format(at) : `${day.format(at)}, ${clock.format(at)}`;
}

function details(told) {
  const { finding } = told;
  const box = document.createElement("details");
  const summary = element("summary");
  summary.append(
    element("span", severityWords[finding.severity], `severity ${finding.severity}`),
    element("b", kindWords(finding.kind)),
    element("span", told.open ? "lasts" : told.over ? "is over" : "", "lasting"),
    element("time", timeWords(told)),
    element("span", placeWords(finding), "place"),
  );
  const list = document.createElement("dl");
  part(list, "Values", valuesWords(finding));
  part(list, "Suspect", suspectWords(finding.attribution));
  part(list, "Why", finding.reason);
  part(list, "Code", finding.code ? `${finding.code} ${finding.title}` : "");
  const checks = element("ul");
  checks.append(...(finding.next_checks ?? []).map((check) => element("li", check)));
  const caution = cautionFor(finding.kind);
  box.append(summary);
  if (caution) box.append(element("p", caution, "caution"));
  box.append(list);
  if (checks.childElementCount > 0) box.append(element("p", "Check next", "next"), checks);
  return box;
}

const opened = new Map();  // what the reader has opened or closed, by the time and kind of the finding
let first = true;

export function showFindings(findings) {
  document.getElementById("findings-none").hidden = findings.length > 0;
  const focused = document.activeElement?.closest?.("li")?.dataset.key;
  const items = findings.map((told, index) => {
    const key = `${told.told} ${told.finding.kind}`;
    const item = element("li");
    item.dataset.key = key;
    item.dataset.severity = told.finding.severity;
    const box = details(told);
    box.open = opened.get(key) ?? (first && index === 0 && told.finding.severity !== "info");
    box.addEventListener("toggle", () => opened.set(key, box.open));
    item.append(box);
    return item;
  });
  document.getElementById("finding-list").replaceChildren(...items);
  if (focused) {
    items.find((item) => item.dataset.key === focused)?.querySelector("summary").focus();
  }
  first = first && findings.length === 0;
}
