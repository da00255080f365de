// The tools of this folder can fail: a page with faults put in is told apart from a sound one.
import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { accessibilityProblems, openBrowser, watchForTrouble } from "./chromium.mjs";

let browser;
before(async () => {
  browser = await openBrowser();
});
after(() => browser.close());

async function show(body) {
  const page = await browser.newPage();
  const trouble = watchForTrouble(page, "about:");
  await page.setContent(`<!doctype html><html lang="en"><title>trial</title><main>${body}</main></html>`);
  return { page, trouble };
}

test("a sound page has no trouble and no accessibility problem", async () => {
  const { page, trouble } = await show("<h1>Cycle locked</h1>");
  assert.deepEqual(trouble, []);
  assert.deepEqual(await accessibilityProblems(page), []);
  await page.close();
});

test("an exception, a console error and a request elsewhere are told", async () => {
  const { page, trouble } = await show(
    "<script>console.error('planted')</script><script>planted()</script><img alt='' src='http://127.0.0.1:9/a.png'>",
  );
  await page.waitForTimeout(200);
  assert.ok(trouble.some((line) => line.startsWith("console: planted")), trouble.join("\n"));
  assert.ok(trouble.some((line) => line.startsWith("exception: planted")), trouble.join("\n"));
  assert.ok(trouble.includes("request: http://127.0.0.1:9/a.png"), trouble.join("\n"));
  await page.close();
});

test("a picture without words and grey on grey are told", async () => {
  const { page } = await show(
    "<img src='data:image/gif;base64,R0lGODlhAQABAAAAACwAAAAAAQABAAA='><p style='color:#888;background:#999'>3000 rpm</p>",
  );
  const problems = (await accessibilityProblems(page)).join("\n");
  assert.match(problems, /image-alt/);
  assert.match(problems, /color-contrast/);
  await page.close();
});
