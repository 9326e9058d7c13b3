// Opens a page that hostile words were put into: nothing of them is run, shown as a picture or asked for. Argument: the page.
import assert from "node:assert/strict";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const require = createRequire(new URL("../.cache/node_modules/", import.meta.url));
const { chromium } = require("playwright-core");
const address = pathToFileURL(process.argv[2]).href;

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});
try {
  const page = await browser.newPage({ viewport: { width: 1360, height: 900 } });
  const troubles = [];
  page.on("console", (message) => troubles.push(`console: ${message.text()}`));
  page.on("pageerror", (error) => troubles.push(`error: ${error.message}`));
  page.on("dialog", (dialog) => { troubles.push(`dialog: ${dialog.message()}`); dialog.dismiss(); });
  page.on("request", (request) => {
    if (!request.url().startsWith("data:") && request.url() !== address) troubles.push(`request: ${request.url()}`);
  });
  await page.goto(address);
  await page.waitForLoadState("networkidle");
  // A bracket's ways of showing write the ids again, by script.
  for (const key of ["2", "3", "4", "1"]) await page.keyboard.press(key);
  await page.waitForTimeout(200);
  assert.notEqual(await page.title(), "ran");
  assert.ok((await page.evaluate(() => document.body.textContent)).includes("onerror="), "the words are not in the page");
  // An attribute that would run something, a picture from a file, a script that the page does not know by its digest.
  const foreign = await page.evaluate(() => [...document.querySelectorAll("*")].filter((e) => [...e.attributes].some((a) => a.name.startsWith("on"))
    || (e.tagName === "IMG" && !e.src.startsWith("data:")) || e.closest("script script")).map((e) => e.outerHTML.slice(0, 80)));
  assert.deepEqual(foreign, []);
  assert.deepEqual(troubles, []);
} finally {
  await browser.close();
}
