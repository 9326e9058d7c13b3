// Opens a picture in OpenSeadragon, the whole and then its middle pixel for pixel. Arguments: the info.json's address, a folder for
// screenshots, the picture's width and height. Prints which part of the picture the last screenshot shows, in its pixels.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";

const require = createRequire(new URL("../.cache/node_modules/", import.meta.url));
const { chromium } = require("playwright-core");
const code = readFileSync(require.resolve("openseadragon"), "utf8");
const [info, shots, width, height] = process.argv.slice(2);

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});
try {
  const page = await browser.newPage({ viewport: { width: 900, height: 700 } });
  const troubles = [];
  page.on("console", (message) => message.type() === "error" && troubles.push(`console: ${message.text()}`));
  page.on("pageerror", (error) => troubles.push(`error: ${error.message}`));
  page.on("response", (answer) => answer.status() >= 400 && troubles.push(`${answer.status()}: ${answer.url()}`));
  // A page of the same origin, so that no server needs to allow others.
  const blank = new URL("empty.html", info).href;
  await page.route(blank, (route) => route.fulfill({
    contentType: "text/html", body: "<!doctype html><title>viewer</title><body style='margin:0'><div id='view' style='width:900px;height:700px'></div>",
  }));
  await page.goto(blank);
  await page.addScriptTag({ content: code });
  const loaded = () => page.waitForFunction(() => window.view?.world.getItemAt(0)?.getFullyLoaded(), null, { timeout: 20000 });
  await page.evaluate((source) => {
    window.view = window.OpenSeadragon({
      id: "view", tileSources: source, showNavigationControl: false, animationTime: 0, blendTime: 0, immediateRender: true, drawer: "canvas",
    });
  }, info);
  await loaded();
  await page.screenshot({ path: path.join(shots, "viewer-whole.png") });
  const place = await page.evaluate(([w, h]) => {
    const { viewport, OpenSeadragon } = { viewport: window.view.viewport, OpenSeadragon: window.OpenSeadragon };
    const rect = new OpenSeadragon.Rect(Math.floor((w - 900) / 2), Math.floor((h - 700) / 2), 900, 700);
    viewport.fitBounds(viewport.imageToViewportRectangle(rect), true);
    return { x: rect.x, y: rect.y, w: rect.width, h: rect.height };
  }, [Number(width), Number(height)]);
  await loaded();
  await page.waitForTimeout(300);
  await page.screenshot({ path: path.join(shots, "viewer-close.png") });
  assert.equal(await page.title(), "viewer");
  assert.deepEqual(troubles, []);
  console.log(JSON.stringify(place));
} finally {
  await browser.close();
}
