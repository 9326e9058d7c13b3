// Opens a page from the disk in a browser and tries it. Arguments: the page, and a folder for screenshots.
// Needs playwright-core under tests/.cache and chromium on the PATH (or its place in CHROMIUM).
import assert from "node:assert/strict";
import { createRequire } from "node:module";
import path from "node:path";
import { pathToFileURL } from "node:url";

const require = createRequire(new URL("../.cache/node_modules/", import.meta.url));
const { chromium } = require("playwright-core");
const [file, shots] = process.argv.slice(2);
const name = path.basename(file, ".html");

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
    const url = request.url();
    if (!url.startsWith("data:") && url !== pathToFileURL(file).href) troubles.push(`request: ${url}`);
  });
  await page.goto(pathToFileURL(file).href);
  await page.evaluate(() => Promise.all([...document.images].map((image) => image.decode().catch(() => {}))));

  const plates = await page.locator("section.plate").count();
  assert.ok(plates > 0, "no plate in the page");
  assert.equal(await page.locator("ul.table a").count(), plates);
  await page.screenshot({ path: path.join(shots, `${name}-top.png`) });
  if (name === "page") {
    const broken = await page.evaluate(() => [...document.images].filter((i) => i.naturalWidth === 0).length);
    assert.equal(broken, 0, "pictures that do not show");
  }

  // Arrow keys go from plate to plate, and focus goes along.
  const focused = () => page.evaluate(() => document.activeElement.closest("section.plate")?.id ?? "");
  for (let at = 1; at <= plates; at += 1) {
    await page.keyboard.press("ArrowRight");
    assert.equal(await focused(), `plate-${at}`);
    const top = await page.evaluate((id) => document.getElementById(id).getBoundingClientRect().top, `plate-${at}`);
    assert.ok(Math.abs(top) < 80 || at === plates, `plate-${at} is at ${top}`);
    if (at <= 2) await page.screenshot({ path: path.join(shots, `${name}-plate-${at}.png`) });
  }
  await page.keyboard.press("ArrowRight");
  assert.equal(await focused(), `plate-${plates}`);
  await page.keyboard.press("ArrowLeft");
  assert.equal(await focused(), `plate-${plates - 1}`);

  // G goes round the surrounds; each is a neutral gray of its own.
  const surround = () => page.evaluate(() => getComputedStyle(document.body).backgroundColor);
  const grays = [];
  for (let turn = 0; turn < 3; turn += 1) {
    grays.push(await surround());
    await page.screenshot({ path: path.join(shots, `${name}-surround-${turn}.png`) });
    await page.keyboard.press("g");
  }
  assert.equal(new Set(grays).size, 3, grays.join());
  assert.equal(await surround(), grays[0]);
  for (const gray of grays) {
    const [r, g, b] = gray.match(/\d+/g);
    assert.ok(r === g && g === b, `${gray} is not neutral`);
  }

  // V shows a picture alone, arrows blink between them, Escape leaves.
  await page.keyboard.press("Home");
  await page.evaluate(() => scrollTo(0, 0));
  await page.keyboard.press("v");
  const shown = () => page.evaluate(() => [...document.querySelectorAll(".plate")].filter((p) => p.offsetParent).map((p) => p.id).join());
  assert.equal(await shown(), "plate-1");
  await page.screenshot({ path: path.join(shots, `${name}-alone.png`) });
  await page.keyboard.press("ArrowRight");
  assert.equal(await shown(), "plate-2");
  await page.keyboard.press("Escape");
  assert.equal((await shown()).split(",").length, plates);
  assert.equal(await focused(), "plate-2");

  // Every part can be reached and opened by keyboard, and focus is seen.
  const summary = page.locator("section.plate summary").first();
  await summary.focus();
  await page.keyboard.press("Enter");
  assert.ok(await summary.evaluate((s) => s.parentElement.open));
  await page.keyboard.press("Tab");
  const outlined = await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle);
  assert.equal(outlined, "solid");

  // Layers over a plate of tiles are shown and hidden by their boxes, with the space bar.
  const layers = page.locator(".layers").first();
  if (await layers.count()) {
    await page.evaluate(() => document.querySelectorAll("details:has(.layers)").forEach((d) => { d.open = true; }));
    for (const [layer, first] of [["tiles", true], ["ties", true], ["cuts", false]]) {
      const drawn = () => layers.locator(`svg .${layer}`).first().evaluate((g) => getComputedStyle(g).display !== "none");
      assert.equal(await drawn(), first, layer);
      await layers.locator(`.show-${layer}`).focus();
      await page.keyboard.press("Space");
      assert.equal(await drawn(), !first, layer);
      await page.keyboard.press("Space");
    }
    await layers.locator(".show-cuts").check();
    await layers.screenshot({ path: path.join(shots, `${name}-tiles.png`) });
    await layers.locator(".show-cuts").uncheck();
  }

  // Nothing is wider than the window, on a large screen or a small one.
  for (const width of [1360, 390]) {
    await page.setViewportSize({ width, height: 844 });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    assert.ok(wide <= 0, `${wide} px too wide at ${width}`);
    await page.evaluate(() => document.querySelectorAll("details").forEach((d) => { d.open = true; }));
    await page.screenshot({ path: path.join(shots, `${name}-whole-${width}.png`), fullPage: true });
  }
  await page.evaluate(() => document.querySelectorAll("details").forEach((d) => { d.open = false; }));

  // Words stand out from what they stand on, in each surround: 4.5 to 1 at least (WCAG 2.2, 1.4.3).
  const poorest = await page.evaluate(() => {
    const light = (rgb) => rgb.map((v) => v / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
      .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
    const colour = (text) => text.match(/[\d.]+/g).map(Number);
    const ground = (node) => {
      for (let at = node; at; at = at.parentElement) {
        const back = colour(getComputedStyle(at).backgroundColor);
        if (back.length === 3 || back[3] > 0) return back.slice(0, 3);
      }
      return [255, 255, 255];
    };
    let worst = { ratio: 99 };
    for (const input of document.querySelectorAll("[name=surround]")) {
      input.checked = true;
      for (const node of document.querySelectorAll("body *")) {
        if (![...node.childNodes].some((c) => c.nodeType === 3 && c.data.trim()) || node.closest(".overlay, script, style, title, .skip")) continue;
        const [a, b] = [light(colour(getComputedStyle(node).color).slice(0, 3)), light(ground(node))];
        const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
        if (ratio < worst.ratio) worst = { ratio, where: `${node.tagName}.${node.className.baseVal ?? node.className}`, surround: input.value };
      }
    }
    document.getElementById("surround-mid").checked = true;
    return worst;
  });
  assert.ok(poorest.ratio >= 4.5, JSON.stringify(poorest));

  // Every picture has its words.
  const mute = await page.evaluate(() => [...document.querySelectorAll("section.plate img, figure img")].filter((i) => !i.alt).length
    + [...document.querySelectorAll("svg[role=img]")].filter((s) => !s.getAttribute("aria-label")).length);
  assert.equal(mute, 0);

  assert.notEqual(await page.title(), "broken");
  await page.pdf({ path: path.join(shots, `${name}.pdf`), format: "A4", preferCSSPageSize: true });
  assert.deepEqual(troubles, []);
  console.log(`${name}: ${plates} plates, poorest contrast ${poorest.ratio.toFixed(2)} (${poorest.where}, ${poorest.surround})`);
} finally {
  await browser.close();
}
