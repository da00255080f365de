// What the live page costs: ./bootstrap page-cost. First paint of a page opened afresh, by the browser's own record; the
// processor that the daemon takes for ten open pages, by thread (schedstat of proc(5)), while an engine runs at 6,000 rpm.
import { readFile, readdir } from "node:fs/promises";
import { get } from "node:http";
import { setTimeout as sleep } from "node:timers/promises";
import { openBrowser } from "./chromium.mjs";
import { Daemon, scratchFolder, simulate } from "./live-run.mjs";

const seconds = Number(process.argv[2] ?? 20);
const pages = 10;
const scenario = `start_rpm = 6000\n[[phase]]\nkind = "run"\nrpm = 6000\nduration_s = ${3 * seconds + 40}\n`;

// Processor seconds of each thread of the process, by name.
async function processor(pid) {
  const used = {};
  for (const thread of await readdir(`/proc/${pid}/task`)) {
    const name = (await readFile(`/proc/${pid}/task/${thread}/comm`, "utf8")).trim();
    const ns = Number((await readFile(`/proc/${pid}/task/${thread}/schedstat`, "utf8")).split(" ")[0]);
    used[name] = (used[name] ?? 0) + ns / 1e9;
  }
  return used;
}

async function measure(pid, words) {
  const before = await processor(pid);
  const begin = performance.now();
  await sleep(seconds * 1000);
  const after = await processor(pid);
  const took = (performance.now() - begin) / 1000;
  const share = (name) => (100 * ((after[name] ?? 0) - (before[name] ?? 0))) / took;
  const all = Object.keys(after).reduce((sum, name) => sum + share(name), 0);
  console.log(`${words}: serving ${share("serve").toFixed(2)} % of a core, the whole program ${all.toFixed(2)} %`);
  return share("serve");
}

function openEvents(url) {
  const page = { bytes: 0 };
  page.request = get(`${url}events`, (answer) => answer.on("data", (data) => (page.bytes += data.length)));
  page.request.on("error", () => {});
  return page;
}

async function firstPaints(url) {
  const browser = await openBrowser();
  const times = [];
  for (let i = 0; i < 5; ++i) {
    const context = await browser.newContext();  // nothing is in its cache
    const page = await context.newPage();
    await page.goto(url);
    await page.locator("#number-rpm").waitFor();
    times.push(await page.evaluate(() => performance.getEntriesByName("first-contentful-paint")[0].startTime));
    await context.close();
  }
  await browser.close();
  return times.sort((a, b) => a - b);
}

const scratch = await scratchFolder();
const daemon = await Daemon.start(scratch.folder, { session: "cost" });
let failed = false;
try {
  const fed = daemon.feed(await simulate(scratch.folder, "cost", scenario));
  const paints = await firstPaints(daemon.url);
  console.log(`first paint, five pages with an empty cache: ${paints.map((ms) => ms.toFixed(0)).join(", ")} ms`);
  failed ||= paints[2] >= 1000;
  await measure(daemon.child.pid, "no page open");
  const open = Array.from({ length: pages }, () => openEvents(daemon.url));
  await sleep(1000);
  const share = await measure(daemon.child.pid, `${pages} pages open`);
  console.log(`${(open.reduce((sum, page) => sum + page.bytes, 0) / 1024 / (seconds + 1)).toFixed(0)} KiB/s to all of them`);
  failed ||= share >= 5 || open.some((page) => page.bytes < 1000 * seconds);
  for (const page of open) page.request.destroy();
  daemon.stopFeeding();
  await fed;
} finally {
  await daemon.end();
  await scratch.remove();
}
console.log(failed ? "beyond what is allowed" : "within what is allowed: half of the first paints below 1 s, ten pages below 5 % of a core");
process.exitCode = failed ? 1 : 0;
