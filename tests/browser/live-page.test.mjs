// The live page as someone in the cell reads it, over a simulated run: locked, lost, locked again, at rest; then a daemon
// that hangs, is killed and started again. CW_SHOTS=FOLDER keeps pictures.
import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { setTimeout as sleep } from "node:timers/promises";
import { accessibilityProblems, openBrowser, watchForTrouble, widths_px } from "./chromium.mjs";
import { Daemon, scratchFolder, simulate } from "./live-run.mjs";

const settled = `
seed = 7
start_rpm = 2400
[crank]
jitter_ns = 300
[[cam]]
name = "exhaust"
jitter_deg = 0.1
[ecu]
jitter_us = 2.0
[[phase]]
kind = "run"
rpm = 2400
`;
// 2,400 rpm are 14,400 degrees a second: 3 s of a contact that chatters.
const chatter = `
[[fault]]
kind = "noise-burst"
at_s = 7.0
count = 6000
span_deg = 43200
width_us = 6
`;

let browser;
let scratch;
let daemon;
let page;
let trouble;
before(async () => {
  browser = await openBrowser();
  scratch = await scratchFolder();
});
after(async () => {
  await browser?.close();
  await daemon?.end();
  await scratch?.remove();
});

const textOf = (id) => page.locator(`#${id}`).innerText();

// Until the text of the element fits; what it said last otherwise.
async function reads(id, pattern, within_s = 10) {
  const until = performance.now() + within_s * 1000;
  let text = "";
  do {
    text = (await page.locator(`#${id}`).isVisible()) ? await page.locator(`#${id}`).innerText() : "(not to be seen)";
    if (pattern.test(text)) return text;
    await sleep(50);
  } while (performance.now() < until);
  assert.fail(`#${id}: expected ${pattern}, found "${text}"`);
}

async function keepPictures(name) {
  if (!process.env.CW_SHOTS) return;
  for (const width of widths_px) {
    for (const theme of ["light", "dark"]) {
      await page.setViewportSize({ width, height: width === 360 ? 740 : width === 1024 ? 768 : 1080 });
      await page.emulateMedia({ colorScheme: theme });
      await sleep(400);
      await page.screenshot({ path: `${process.env.CW_SHOTS}/${name}-${width}-${theme}.png`, fullPage: true });
    }
  }
  await page.setViewportSize({ width: 1280, height: 800 });
  await page.emulateMedia({ colorScheme: "light" });
}

test("a run from locked to lost to locked again reads so", { timeout: 90_000 }, async () => {
  const edges = await simulate(scratch.folder, "chatter", `${settled}duration_s = 24\n${chatter}`);
  daemon = await Daemon.start(scratch.folder, { session: "first" });
  page = await browser.newPage({ viewport: { width: 1280, height: 800 } });
  trouble = watchForTrouble(page, daemon.url);
  await page.goto(daemon.url);
  await reads("state-word", /^No signal$/);
  assert.match(await textOf("sign-findings"), /Nothing judged yet/);
  await keepPictures("no-signal");
  const fed = daemon.feed(edges);

  await reads("state-word", /^Cycle locked$/);
  await reads("number-rpm", /2[34]\d\d\s*rpm/);
  await reads("number-deviation", /[+−]0\.\d\d\s*°[\s\S]*± 0\.\d+°/);
  await reads("number-cam-exhaust", /[+−]\d\.\d\d/);
  assert.match(await textOf("sign-findings"), /No fault seen[\s\S]*not watched: what the ECU says on CAN/);
  assert.match(await textOf("sign-recording"), /^\S*\s*Recording/);
  assert.match(await textOf("more-list"), /Not watched\s+what the ECU says on CAN/);
  assert.equal(await page.title(), "Cycle locked – mill four");

  await reads("state-word", /^Sync lost$/);
  await reads("sign-findings", /Fault: Sync lost/);
  const fault = await page.locator("#sign-findings-word").evaluate((element) => parseFloat(getComputedStyle(element).fontSize));
  assert.ok(fault >= 60, `a fault reads from afar: ${fault} px`);
  assert.match(await textOf("finding-list"), /FAULT[\s\S]*Sync lost/);
  await keepPictures("lost");

  await reads("state-word", /^Cycle locked$/);
  await reads("number-rpm", /2[34]\d\d\s*rpm/);
  await reads("finding-list", /Sync lost\s+is over/);
  assert.match(await textOf("sign-findings"), /in the last 10 min/);
  await keepPictures("locked");

  await fed;
  await reads("state-word", /^No signal$/);
  await reads("number-rpm", /–/);
  assert.deepEqual(trouble, []);
});

test("the keyboard reaches and works everything", async () => {
  const theme = () => page.evaluate(() => document.documentElement.dataset.theme);
  await page.evaluate(() => document.activeElement?.blur());
  await page.keyboard.press("t");
  assert.equal(await theme(), "light");
  await page.keyboard.press("t");
  assert.equal(await theme(), "dark");
  await page.keyboard.press("t");
  assert.equal(await theme(), "system");
  const reached = new Set();
  for (let i = 0; i < 60; ++i) {
    await page.keyboard.press("Tab");
    reached.add(
      await page.evaluate(() => {
        const focused = document.activeElement;
        return focused.id || focused.dataset.minutes || focused.closest("figure")?.id || focused.tagName;
      }),
    );
  }
  for (const wanted of ["theme", "1", "5", "15", "plot-speed", "plot-deviation", "plot-margin", "SUMMARY"]) {
    assert.ok(reached.has(wanted), `Tab did not reach ${wanted}: ${[...reached]}`);
  }
  const summary = page.locator("summary").nth(1);
  await summary.focus();
  const before = await page.locator("details").nth(1).getAttribute("open");
  await page.keyboard.press("Enter");
  assert.notEqual(await page.locator("details").nth(1).getAttribute("open"), before);
  await page.locator("[data-minutes='1']").focus();
  await page.keyboard.press("Space");
  assert.equal(await page.locator("[data-minutes='1']").getAttribute("aria-pressed"), "true");
  await page.locator("#plot-speed [role=img]").focus();
  await page.keyboard.press("End");
  await page.keyboard.press("ArrowLeft");
  assert.match(await page.locator("#plot-speed .u-legend").innerText(), /\d\d:\d\d:\d\d/);
});

test("axe finds nothing wrong in either theme", async () => {
  for (const theme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme: theme });
    assert.deepEqual(await accessibilityProblems(page), []);
  }
  await page.emulateMedia({ colorScheme: "light" });
});

test("nothing is wider than the screen at 360, 1024 and 1920 px", async () => {
  for (const width of widths_px) {
    await page.setViewportSize({ width, height: 800 });
    await sleep(200);
    const over = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
    assert.ok(over <= 0, `${over} px too wide at ${width}`);
    const word = await page.locator("#state-word").evaluate((element) => parseFloat(getComputedStyle(element).fontSize));
    assert.ok(word >= Math.min(36, width * 0.09), `the state is ${word} px high at ${width}`);
  }
  await page.setViewportSize({ width: 1280, height: 800 });
});

// Three metres: letters of 1/200 of the distance read well (from memory: 20/40 vision wants 1/344), 15 mm. A screen of
// 24 inches and 1920 px is 531 mm wide.
test("the state is large enough for three metres on a screen of 24 inches", async () => {
  await page.setViewportSize({ width: 1920, height: 1080 });
  const px = await page.locator("#state-word").evaluate((element) => parseFloat(getComputedStyle(element).fontSize));
  const capital_mm = (px * 0.7 * 531) / 1920;
  assert.ok(capital_mm >= 15, `${capital_mm} mm`);
  await page.setViewportSize({ width: 1280, height: 800 });
});

test("a daemon that hangs is told within 5 s, and no number stays", async () => {
  const edges = await simulate(scratch.folder, "steady", `${settled}duration_s = 60\n`);
  const fed = daemon.feed(edges, 100e9);
  await reads("state-word", /^Cycle locked$/);
  await reads("number-rpm", /2[34]\d\d/);
  daemon.child.kill("SIGSTOP");
  const begin = performance.now();
  await reads("gone-word", /No connection/, 8);
  assert.ok(performance.now() - begin < 7000, "3 s of silence, and this machine may be busy");
  assert.doesNotMatch(await textOf("numbers"), /\d{4}/);
  assert.match(await textOf("number-rpm"), /–/);
  assert.match(await textOf("gone-why"), /Last heard \d/);
  assert.doesNotMatch(await textOf("more-list"), /open|ago/);
  assert.equal(await page.locator("#state").isVisible(), false);
  assert.equal(await page.title(), "Stale – mill four");
  await keepPictures("gone");
  daemon.child.kill("SIGCONT");
  await reads("state-word", /^Cycle locked$/);
  assert.equal(await page.locator("#gone").isVisible(), false);
  daemon.stopFeeding();
  await fed;
});

test("a daemon that was killed is told, and found again by itself when it is back", async () => {
  await daemon.kill();
  await reads("gone-word", /No connection/);
  const size = await page.locator("#gone-word").evaluate((element) => parseFloat(getComputedStyle(element).fontSize));
  assert.ok(size >= 80, `unmistakable: ${size} px`);
  assert.deepEqual(await accessibilityProblems(page), []);
  trouble.length = 0;  // refused connections are the browser's own lines
  daemon = await Daemon.start(scratch.folder, { session: "second", port: daemon.port });
  const edges = await simulate(scratch.folder, "again", `${settled}duration_s = 8\n`);
  const fed = daemon.feed(edges);
  await reads("state-word", /^Cycle locked$/);
  assert.match(await textOf("sign-findings"), /No fault seen/);
  assert.equal(await page.locator("#gone").isVisible(), false);
  await fed;
});

test("a new session by SIGHUP goes on in the same page, and old faults are over", async () => {
  daemon.child.kill("SIGHUP");
  await reads("more-list", /second-2/);
  assert.equal(await page.locator("#gone").isVisible(), false);
  const status = await (await fetch(`${daemon.url}status.json`)).json();
  assert.equal(status.counts.sessions, 2);
  assert.ok(status.findings.every((told) => !told.open));
});

test("a second page that comes later has the plots of before", async () => {
  const other = await browser.newPage();
  await other.goto(daemon.url);
  await other.locator("#plot-speed .u-over").waitFor();
  const label = await other.locator("#plot-speed [role=img]").getAttribute("aria-label");
  assert.match(label, /Speed/);
  await other.close();
  assert.notEqual(await daemon.end(), null);
});
