// Debian's Chromium, driven by playwright-core: what every test in this folder opens its pages with.
import { createRequire } from "node:module";
import { chromium } from "playwright-core";

// Without these Chromium asks its maker's hosts for updates and lists at every start.
const quiet = [
  "--disable-background-networking",
  "--disable-component-update",
  "--disable-gpu",
  "--disable-quic",
  "--disable-sync",
  "--no-first-run",
];

// A headless browser; close() it. CW_CHROMIUM names another program.
export function openBrowser() {
  return chromium.launch({ executablePath: process.env.CW_CHROMIUM ?? "/usr/bin/chromium", args: quiet });
}

// Widths that pages are looked at in: a telephone, a tablet, a screen across the room.
export const widths_px = [360, 1024, 1920];

// Gathers what must not happen while `page` is open: lines on the console that are errors, exceptions, and requests to
// anything but `allowed` (the beginning of a URL). Call before the page goes anywhere.
export function watchForTrouble(page, allowed) {
  const trouble = [];
  page.on("console", (message) => {
    if (message.type() === "error") {
      trouble.push(`console: ${message.text()}`);
    }
  });
  page.on("pageerror", (error) => trouble.push(`exception: ${error.message}`));
  page.on("request", (request) => {
    const url = request.url();
    if (!url.startsWith(allowed) && !url.startsWith("data:") && !url.startsWith("blob:")) {
      trouble.push(`request: ${url}`);
    }
  });
  return trouble;
}

// What axe-core finds wrong with the page as it stands (WCAG 2.1 A and AA): one line each.
export async function accessibilityProblems(page) {
  const axe = createRequire(import.meta.url).resolve("axe-core/axe.min.js");
  // By evaluation, not as a script element, which a page's own policy rightly refuses.
  const { readFile } = await import("node:fs/promises");
  await page.evaluate(await readFile(axe, "utf8"));
  const found = await page.evaluate(() => globalThis.axe.run({ runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"] }));
  return found.violations.flatMap((rule) => rule.nodes.map((node) => `${rule.id}: ${node.target} (${rule.help})`));
}
