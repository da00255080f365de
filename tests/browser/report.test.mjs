// The report of each replay log, opened from disk as someone would who got it by mail.
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { mkdtempSync, readdirSync, rmSync, statSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { accessibilityProblems, openBrowser, watchForTrouble, widths_px } from "./chromium.mjs";

const { CRANKWITNESS_PROGRAM, CRANKWITNESS_REPLAY_LOGS, CRANKWITNESS_SOURCE_DIR } = process.env;
const logs = join(CRANKWITNESS_SOURCE_DIR, "replay-logs");
const names = readdirSync(logs).filter((file) => file.endsWith(".toml")).map((file) => file.slice(0, -5)).sort();

// What the verdict must say, by what replay-logs/ says was done to each engine.
const verdicts = {
  "001-sound-run": /^No fault seen$/,
  "002-single-extra-edge": /^1 warning seen$/,
  "005-crank-signal-away-300-ms": /fault/,
  "006-belt-jumps-one-tooth": /^Stop: a cam moved against the crank\. Do not restart or crank the engine\.$/,
  "010-ecu-mark-four-degrees-late": /fault|warning/,
  "018-messy-but-sound": /^No fault seen$/,
  "034-reluctor-wired-backwards": /fault/,
};

const parts = ["What to check next", "Time line", "Findings", /^The raw edges/, "Offset and delay",
  "What the ECU says on CAN", "Links and clock", "Settings", "Cautions", "What this witness can't know"];

let browser;
let folder;

before(async () => {
  folder = mkdtempSync(join(tmpdir(), "reports-"));
  execFileSync(CRANKWITNESS_REPLAY_LOGS,
    ["--program", CRANKWITNESS_PROGRAM, "--logs", logs, "--reports", folder], { stdio: "ignore" });
  browser = await openBrowser();
});

after(async () => {
  await browser?.close();
  rmSync(folder, { recursive: true, force: true });
});

async function open(name, options = {}) {
  const context = await browser.newContext({ viewport: { width: 1024, height: 900 }, offline: true, ...options });
  const page = await context.newPage();
  const url = `file://${join(folder, `${name}.html`)}`;
  const trouble = watchForTrouble(page, url);
  await page.goto(url);
  return { context, page, trouble };
}

for (const name of names) {
  test(`${name} opens without an error or a request, and reads from verdict to limits`, async () => {
    const { context, page, trouble } = await open(name);
    const verdict = await page.getByRole("heading", { level: 2 }).first().innerText();
    if (verdicts[name]) {
      assert.match(verdict, verdicts[name]);
    }
    assert.ok(await page.getByText("Not watched, so nothing is said about it").isVisible());
    assert.doesNotMatch(await page.locator("body").innerText(), /healthy|NaN|undefined|\binf\b/i);
    const headings = (await page.getByRole("heading", { level: 2 }).allInnerTexts()).slice(1);
    let at = 0;
    for (const part of parts) {
      const found = headings.findIndex((text, i) => i >= at && (part instanceof RegExp ? part.test(text) : text === part));
      assert.ok(found >= 0, `${part} not after ${headings[at]} in ${headings}`);
      at = found;
    }
    // Each drawing says what it is to those who can't see it, and each link of the contents leads somewhere.
    for (const image of await page.getByRole("img").all()) {
      assert.ok((await image.locator("> title").textContent()).length > 3);
      assert.ok((await image.locator("> desc").textContent()).length > 20);
    }
    const dangling = await page.evaluate(() => [...document.querySelectorAll("nav a")]
      .map((link) => link.getAttribute("href")).filter((href) => !document.querySelector(href)));
    assert.deepEqual(dangling, []);
    const twice = await page.evaluate(() => {
      const ids = [...document.querySelectorAll("[id]")].map((element) => element.id);
      return ids.filter((id, i) => ids.indexOf(id) !== i);
    });
    assert.deepEqual(twice, []);
    assert.deepEqual(trouble, []);
    await context.close();
  });
}

test("a jumped cam: the caution stands on the first screen, and is the first check", async () => {
  const { context, page } = await open("006-belt-jumps-one-tooth", { viewport: { width: 360, height: 740 } });
  const box = await page.getByText("Turn the engine by hand only").first().boundingBox();
  assert.ok(box.y + box.height < 740, `at ${box.y}`);
  assert.match(await page.locator(".checks li").first().innerText(), /^Stop: do not restart or crank/);
  await context.close();
});

test("a missed tooth is named in words under its drawing and marked in it", async () => {
  const { context, page } = await open("003-intermittent-missed-tooth");
  const figure = page.locator("section[aria-labelledby=evidence] figure").filter({ hasText: "Missed edge" }).first();
  assert.match(await figure.locator("figcaption").innerText(), /Crank: no edge of tooth \d+ \(\d+\.\d deg\)/);
  assert.ok(await figure.locator("path.miss").count() >= 1);
  assert.match(await figure.locator("svg").innerHTML(), /tooth \d+ missing/);
  await context.close();
});

for (const colorScheme of ["light", "dark"]) {
  for (const width of widths_px) {
    test(`nothing is cut off and axe finds nothing at ${width} px, ${colorScheme}`, async () => {
      for (const name of ["006-belt-jumps-one-tooth", "011-mark-delay-grows-with-speed", "023-missed-and-extra-in-one-turn"]) {
        const { context, page, trouble } = await open(name, { viewport: { width, height: 900 }, colorScheme });
        const wide = await page.evaluate(() => document.documentElement.scrollWidth);
        assert.ok(wide <= width, `${name}: the page is ${wide} px wide`);
        assert.deepEqual(await accessibilityProblems(page), [], name);
        assert.deepEqual(trouble, []);
        await context.close();
      }
    });
  }
}

test("it can be read with the keyboard alone: links, drawings and lists take the focus in order", async () => {
  const { context, page } = await open("006-belt-jumps-one-tooth");
  const seen = [];
  for (let i = 0; i < 40; ++i) {
    await page.keyboard.press("Tab");
    seen.push(await page.evaluate(() => document.activeElement.getAttribute("href") ?? document.activeElement.className));
  }
  assert.equal(seen[0], "#checks");
  assert.ok(seen.includes("plot"));
  assert.ok(seen.includes("wide"));
  await context.close();
});

test("without scripts it is the same page", async () => {
  const { context, page } = await open("001-sound-run", { javaScriptEnabled: false });
  assert.equal(await page.getByRole("heading", { level: 2 }).first().innerText(), "No fault seen");
  await context.close();
});

test("it prints to PDF", async () => {
  const { context, page } = await open("006-belt-jumps-one-tooth");
  const file = join(folder, "page.pdf");
  await page.pdf({ path: file, preferCSSPageSize: true });
  assert.ok(statSync(file).size > 20_000);
  await context.close();
});
