// Opens a picture in OpenSeadragon: the whole, then the last corner and the middle pixel for pixel. Arguments: the addresses of info.json
// and manifest.json, a folder for screenshots, the picture's width and height. Prints, for each view, which part of the picture its
// screenshot shows, in the picture's pixels, and the addresses that were asked for.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";

const require = createRequire(new URL("../.cache/node_modules/", import.meta.url));
const { chromium } = require("playwright-core");
const code = readFileSync(require.resolve("openseadragon"), "utf8");
const [info, manifest, shots, ...size] = process.argv.slice(2);
const [width, height] = size.map(Number);
const [across, down] = [900, 700];
const name = path.basename(path.dirname(new URL(info).pathname));

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});
try {
  const page = await browser.newPage({ viewport: { width: across, height: down } });
  const troubles = [];
  let asked = [];
  page.on("console", (message) => ["error", "warning"].includes(message.type()) && troubles.push(`console: ${message.text()}`));
  page.on("pageerror", (error) => troubles.push(`error: ${error.message}`));
  page.on("dialog", (dialog) => { troubles.push(`dialog: ${dialog.message()}`); dialog.dismiss(); });
  page.on("request", (request) => request.url().startsWith("http") && asked.push(request.url()));
  page.on("requestfailed", (request) => troubles.push(`failed: ${request.url()}`));
  page.on("response", (answer) => answer.status() >= 400 && troubles.push(`${answer.status()}: ${answer.url()}`));
  // A page of the same origin, so that no server needs to allow others.
  const blank = new URL("empty.html", info).href;
  await page.route(blank, (route) => route.fulfill({
    contentType: "text/html",
    body: `<!doctype html><title>viewer</title><style>body { margin: 0 } #view { width: ${across}px; height: ${down}px }</style>
      <div id="view"></div><dl></dl>`,
  }));
  await page.goto(blank);

  // The manifest's words, shown as the Presentation API 3.0 lets a trusting reader do (4.5): HTML where a value looks like it.
  await page.evaluate(async (address) => {
    const read = await (await fetch(address)).json();
    const entries = [read, ...read.items].flatMap((one) => [...(one.metadata ?? []), one.requiredStatement ?? []].flat());
    for (const entry of entries) {
      for (const text of Object.values(entry.value).flat()) {
        const place = document.querySelector("dl").appendChild(document.createElement("dd"));
        if (text.startsWith("<") && text.endsWith(">")) place.innerHTML = text;
        else place.textContent = text;
      }
    }
  }, manifest);
  await page.waitForLoadState("networkidle");
  if (await page.title() !== "viewer") troubles.push("the manifest's text was run");
  await page.evaluate(() => document.querySelector("dl").remove());

  await page.addScriptTag({ content: code });
  await page.evaluate((source) => {
    window.view = window.OpenSeadragon({
      id: "view", tileSources: source, drawer: "canvas", showNavigationControl: false,
      animationTime: 0, blendTime: 0, immediateRender: true,
    });
    // Tiles that do not overlap are drawn a pixel too wide and too high, lest a seam be seen: half a pixel off in their middle.
    window.view.world.addHandler("add-item", ({ item }) => { item.source.tileOverlap = 1e-9; });
  }, info);
  const views = [];
  // Whether all is loaded is known only once the viewer has drawn, and it draws once more when all is.
  const drawn = () => page.evaluate(() => new Promise((done) => {
    window.view.forceRedraw();
    window.view.addOnceHandler("update-viewport", () => requestAnimationFrame(() => requestAnimationFrame(done)));
  }));
  const shoot = async (what) => {
    await page.waitForFunction(() => window.view.world.getItemAt(0));
    await drawn();
    await page.waitForFunction(() => window.view.world.getItemAt(0).getFullyLoaded(), null, { timeout: 20000 });
    await drawn();
    await page.screenshot({ path: path.join(shots, `${name}-${what}.png`) });
    const place = await page.evaluate(() => {
      const { x, y, width: w, height: h } = window.view.viewport.viewportToImageRectangle(window.view.viewport.getBounds(true));
      return { x, y, w, h };
    });
    views.push({ name: what, ...place, asked });
    asked = [];
  };
  const close = async (what, x, y) => {
    await page.evaluate((rect) => {
      const { viewport } = window.view;
      viewport.fitBounds(viewport.imageToViewportRectangle(...rect), true);
    }, [x, y, across, down]);
    await shoot(what);
  };
  asked = [];
  await shoot("whole");
  await close("corner", width - across, height - down);
  await close("middle", Math.floor((width - across) / 2), Math.floor((height - down) / 2));
  console.log(JSON.stringify(views));
  assert.deepEqual(troubles, []);
} finally {
  await browser.close();
}
