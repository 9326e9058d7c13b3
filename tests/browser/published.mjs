// Opens the page beside published plates as a reader would, by keys alone: the first plate whole, then enlarged in its middle, then moved
// to its last corner. Arguments: the page's address, a folder for screenshots, the plate's width and height. Prints, for each view, which
// part of the picture its screenshot shows, in the picture's pixels, and the addresses that were asked for.
import assert from "node:assert/strict";
import { createRequire } from "node:module";
import path from "node:path";

const require = createRequire(new URL("../.cache/node_modules/", import.meta.url));
const { chromium } = require("playwright-core");
const [address, shots, ...size] = process.argv.slice(2);
const [width, height] = size.map(Number);

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});
try {
  const page = await browser.newPage({ viewport: { width: 1100, height: 900 } });
  const troubles = [];
  let asked = [];
  page.on("console", (message) => ["error", "warning"].includes(message.type()) && troubles.push(`console: ${message.text()}`));
  page.on("pageerror", (error) => troubles.push(`error: ${error.message}`));
  page.on("dialog", (dialog) => { troubles.push(`dialog: ${dialog.message()}`); dialog.dismiss(); });
  page.on("request", (request) => asked.push(request.url()));
  page.on("requestfailed", (request) => troubles.push(`failed: ${request.url()}`));
  page.on("response", (answer) => answer.status() >= 400 && troubles.push(`${answer.status()}: ${answer.url()}`));
  await page.goto(address);
  await page.waitForLoadState("networkidle");
  if (await page.title() === "ran") troubles.push("the notes' text was run");
  assert.equal(await page.locator(".deep").count(), 2);
  await page.screenshot({ path: path.join(shots, "page.png") });
  const glass = page.locator(".deep canvas").first();
  await glass.focus();
  const buttons = page.locator(".deep .by").first();
  const views = [];
  const shoot = async (what, enlarged, corner) => {
    await page.waitForLoadState("networkidle");
    await page.waitForTimeout(300);
    await buttons.evaluate((one) => { one.style.visibility = "hidden"; });
    await glass.screenshot({ path: path.join(shots, `page-${what}.png`) });
    await buttons.evaluate((one) => { one.style.visibility = ""; });
    const { w, h } = await glass.evaluate((one) => ({ w: one.width, h: one.height }));
    const step = 1 / (Math.min(w / width, h / height) * enlarged);
    const middle = corner ? [width - (w * step) / 2, height - (h * step) / 2] : [width / 2, height / 2];
    views.push({ name: what, x: middle[0] - (w * step) / 2, y: middle[1] - (h * step) / 2, w: w * step, h: h * step, asked });
    asked = [];
  };
  await shoot("whole", 1, false);
  for (let i = 0; i < 3; i++) await page.keyboard.press("+");
  await shoot("enlarged", 1.5 ** 3, false);
  for (let i = 0; i < 2; i++) await page.keyboard.press("+");
  for (let i = 0; i < 60; i++) { await page.keyboard.press("ArrowRight"); await page.keyboard.press("ArrowDown"); }
  await shoot("corner", 1.5 ** 5, true);
  await page.keyboard.press("0");
  assert.deepEqual(troubles, []);
  console.log(JSON.stringify(views));
} finally {
  await browser.close();
}
