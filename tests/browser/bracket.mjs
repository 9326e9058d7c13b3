// Works a bracket's page of three plates as a reader would: by pointing, dragging, the wheel, keys and lists. Arguments: the page, a file of
// what is known of the plates (tests/bracket_page.rs writes it), and a folder for screenshots.
// Needs playwright-core under tests/.cache and chromium on the PATH (or its place in CHROMIUM).
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";
import { pathToFileURL } from "node:url";

const require = createRequire(new URL("../.cache/node_modules/", import.meta.url));
const { chromium } = require("playwright-core");
const [file, known, shots] = process.argv.slice(2);
const { plates, size, even, half, stripes } = JSON.parse(readFileSync(known));
const address = pathToFileURL(file).href, beside = address.slice(0, address.lastIndexOf("/") + 1);

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});

// ---- the page, and how it is looked at
const underWay = new Map();
const open = async (options, more) => {
  const page = await browser.newPage({ viewport: { width: 1360, height: 900 }, ...options });
  const troubles = [], asked = [];
  page.on("console", (message) => troubles.push(`console: ${message.text()}`));
  page.on("pageerror", (error) => troubles.push(`error: ${error.message}`));
  page.on("dialog", (dialog) => { troubles.push(`dialog: ${dialog.message()}`); dialog.dismiss(); });
  page.on("request", (request) => { if (!request.url().startsWith("data:") && request.url() !== address) asked.push(request.url()); });
  const pending = new Set();
  underWay.set(page, pending);
  page.on("request", (request) => pending.add(request));
  for (const end of ["requestfinished", "requestfailed"]) page.on(end, (request) => pending.delete(request));
  await more?.(page);
  await page.goto(address);
  await page.waitForFunction(() => document.documentElement.dataset.ready === "yes");
  return { page, troubles, asked };
};
const { page, troubles, asked } = await open();
const eye = await browser.newPage();

/** Waits until what was asked for has come and is drawn. */
const settled = async (which = page) => {
  const drawn = () => which.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
  await drawn();
  for (const end = Date.now() + 10000; underWay.get(which).size > 0 && Date.now() < end;) await which.waitForTimeout(20);
  assert.equal(underWay.get(which).size, 0, "requests that do not end");
  await drawn();
};
const keep = (name) => page.screenshot({ path: path.join(shots, `${name}.png`) });
/** Pixels of a part of the screen: `at(x, y)` is [red, green, blue]. */
const seen = async (clip, which = page) => {
  await settled(which);
  const png = (await which.screenshot({ clip })).toString("base64");
  const [width, text] = await eye.evaluate(async (png) => {
    const image = new Image();
    image.src = "data:image/png;base64," + png;
    await image.decode();
    const canvas = Object.assign(document.createElement("canvas"), { width: image.width, height: image.height });
    const pen = canvas.getContext("2d");
    pen.drawImage(image, 0, 0);
    let text = "";
    for (const value of pen.getImageData(0, 0, image.width, image.height).data) text += String.fromCharCode(value);
    return [image.width, btoa(text)];
  }, png);
  const data = Buffer.from(text, "base64");
  return { width, height: data.length / 4 / width, at: (x, y) => data.subarray(4 * (y * width + x), 4 * (y * width + x) + 3) };
};
/** Mean colour of a square of nine pixels about a place on the screen. */
const colour = async ([x, y]) => {
  const part = await seen({ x: Math.round(x) - 4, y: Math.round(y) - 4, width: 9, height: 9 });
  const sum = [0, 0, 0];
  for (let r = 0; r < 9; r++) for (let c = 0; c < 9; c++) part.at(c, r).forEach((v, i) => { sum[i] += v / 81; });
  return sum;
};
/** Standard deviation of a part's green. */
const roughness = (part) => {
  const values = [];
  for (let y = 0; y < part.height; y++) for (let x = 0; x < part.width; x++) values.push(part.at(x, y)[1]);
  const mean = values.reduce((a, b) => a + b) / values.length;
  return Math.sqrt(values.reduce((sum, v) => sum + (v - mean) ** 2, 0) / values.length);
};
/** Largest difference of two parts of one size. */
const apart = (a, b) => {
  let most = 0;
  for (let y = 0; y < a.height; y++) for (let x = 0; x < a.width; x++) a.at(x, y).forEach((v, i) => { most = Math.max(most, Math.abs(v - b.at(x, y)[i])); });
  return most;
};
/** The shift of whole pixels, up to three each way, at which two parts go together best. */
const shift = (a, b) => {
  let best = [-2];
  for (let dy = -3; dy <= 3; dy++) for (let dx = -3; dx <= 3; dx++) {
    let n = 0, sa = 0, sb = 0, aa = 0, bb = 0, ab = 0;
    for (let y = 3; y < a.height - 3; y++) for (let x = 3; x < a.width - 3; x++) {
      const p = a.at(x, y)[1], q = b.at(x + dx, y + dy)[1];
      n++; sa += p; sb += q; aa += p * p; bb += q * q; ab += p * q;
    }
    const r = (n * ab - sa * sb) / Math.sqrt((n * aa - sa * sa) * (n * bb - sb * sb));
    if (r > best[0]) best = [r, dx, dy];
  }
  return best.slice(1);
};
/** What the reading says, as numbers. */
const reading = async () => {
  await settled();
  const text = await page.locator("#reading").innerText();
  const [, spot] = text.match(/over ([\d.]+) × [\d.]+ mm/) ?? assert.fail(text);
  const [, x, y] = text.match(/at ([\d.]+) × ([\d.]+) mm/);
  const densities = Object.fromEntries([...text.matchAll(/(K-\d+) (−?[\d.]+)(?: \(([^)]*)\))?/g)].map(([, id, d, more]) => [id, { d: Number(d.replace("−", "-")), more }]));
  return { spot: Number(spot), at: [Number(x), Number(y)], densities };
};
const glass = await page.locator("#glass").boundingBox();
/** Middles of three panes abreast, to be found from what is read in them, and of one that is alone. */
const abreast = [1, 3, 5].map((sixths) => [glass.x + (glass.width * sixths) / 6, glass.y + glass.height / 2]);
const alone = [glass.x + glass.width / 2, glass.y + glass.height / 2];
/** Where a pane shows a place in mm, found from what is read at two corners of it. Millimetres are read to a tenth. */
const lie = async ([cx, cy]) => {
  const reach = [glass.width * 0.1, glass.height * 0.15];
  await page.mouse.move(cx - reach[0], cy - reach[1]);
  const a = (await reading()).at;
  await page.mouse.move(cx + reach[0], cy + reach[1]);
  const b = (await reading()).at;
  const perMm = [0, 1].map((i) => (2 * reach[i]) / (b[i] - a[i]));
  return { perMm: perMm[0], middle: [0, 1].map((i) => (a[i] + b[i]) / 2), to: (mm) => [cx, cy].map((c, i) => c + (mm[i] - (a[i] + b[i]) / 2) * perMm[i]) };
};
const near = (a, b, by, what) => assert.ok(Math.abs(a - b) <= by, `${what}: ${a}, wanted ${b} within ${by}`);

try {
  // ---- side by side: as many panes as plates, one place in the middle of all, and nothing asked for before it is needed
  assert.deepEqual(asked, []);
  await keep("beside");
  const panes = [];
  for (let i = 0; i < 3; i++) {
    const pane = await lie(abreast[i]), found = pane.to(size.map((v) => v / 2));
    // There is a gap of a hundredth between panes.
    [0, 1].forEach((k) => near(found[k], abreast[i][k], 0.01 * glass.width, "middle of the pane"));
    panes.push(pane);
    near(pane.perMm / panes[0].perMm, 1, 0.003, "scale");
    // Whole pixels from one pane to the next.
    abreast[i] = i ? [0, 1].map((k) => abreast[0][k] + Math.round(found[k] - abreast[0][k])) : found;
  }

  // Densities as they are known. The page's numbers are steps of 1/10000 shown to 1/100, so that half of both may be off; the second
  // figure is a difference of two that are not rounded before. Even squares give no other error: what is resampled there is even.
  const off = 0.005 + 0.00005 + 1e-6;
  let read = 0;
  for (const pane of panes) for (const { at, densities } of even) {
    await page.mouse.move(...pane.to(at));
    const now = await reading();
    [0, 1].forEach((i) => near(now.at[i], at[i], 0.05 + 0.5 / pane.perMm + 0.1, "place"));
    near(now.spot, (3 * size[0]) / 900, 0.01, "side of what is read");
    plates.forEach((id, i) => {
      near(now.densities[id].d, densities[i], off, `${id} at ${at}`);
      if (i === 0) return;
      const more = densities[i] - densities[0], said = now.densities[id].more;
      if (Math.abs(more) < 0.004) assert.equal(said, "the same");
      else near(Number(said.split(" ")[0]) * (said.endsWith("more") ? 1 : -1), more, off + 0.00005, `${id} less ${plates[0]}`);
      read += 1;
    });
  }
  assert.equal(read, 3 * 8 * 2);
  // The reading takes no more than it says: it is a square's up to half of its own side from the edge, and the four cells that the
  // resampling's kernel reaches; three are as wide as that side.
  const { spot } = await reading();
  const inside = half - (1 / 2 + 4 / 3) * spot;
  for (const corner of [[-1, -1], [1, -1], [1, 1], [-1, 1]]) {
    await page.mouse.move(...panes[1].to(even[5].at.map((v, i) => v + corner[i] * (inside - 0.2))));
    near((await reading()).densities[plates[1]].d, even[5].densities[1], off, "beside an edge");
  }
  await keep("loupe");

  // One tone for one density: what the first plate has of one square, the second has of the one before.
  await page.mouse.move(2, 2);
  for (let i = 2; i < 7; i++) {
    const [one, other] = [await colour(panes[1].to(even[i].at)), await colour(panes[0].to(even[i + 1].at))];
    // The pictures are JPEGs: a code of the even part of a block may be off by one on either side.
    near(one[1], other[1], 2, `tone of density ${even[i + 1].densities[0]}`);
  }

  // ---- the same zoom and position in all plates: by what is read, and by the pictures themselves
  const inner = (i, w = 360, h = 300) => { const [x, y] = abreast[i]; return { x: Math.round(x - w / 2), y: Math.round(y - h / 2), width: w, height: h }; };
  const together = async (what) => {
    await page.mouse.move(2, 2);
    const first = await seen(inner(0));
    for (const i of [1, 2]) assert.deepEqual(shift(first, await seen(inner(i))), [0, 0], `${what}: plate ${i} against the first`);
  };
  await together("whole");
  const target = panes[0].to(even[4].at);
  await page.mouse.move(...target);
  const before = await reading();
  await page.mouse.wheel(0, -900);
  const enlarged = await reading();
  [0, 1].forEach((i) => near(enlarged.at[i], before.at[i], 0.11, "the wheel enlarges about the pointer"));
  await keep("enlarged");
  await page.mouse.down();
  await page.mouse.move(target[0] + 60, target[1] - 45, { steps: 4 });
  await page.mouse.up();
  const dragged = await reading();
  [0, 1].forEach((i) => near(dragged.at[i], before.at[i], 0.11, "a drag takes the plates along"));
  near(dragged.densities[plates[1]].d, even[4].densities[1], off, "after zoom and drag");
  await together("enlarged and dragged");
  const [left, right] = [await lie(abreast[0]), await lie(abreast[2])];
  assert.ok(left.perMm > 3 * panes[0].perMm, `${left.perMm} pixels a mm`);
  [0, 1].forEach((i) => near(left.middle[i], right.middle[i], 0.11, "position after zoom and drag"));

  // ---- keys and buttons for the size
  await page.click("#fit");
  near((await lie(abreast[0])).perMm, panes[0].perMm, 0.01, "whole");
  await page.click("#in");
  near((await lie(abreast[0])).perMm / panes[0].perMm, 1.5, 0.01, "larger");
  await page.focus("#glass");
  await page.keyboard.press("+");
  near((await lie(abreast[0])).perMm / panes[0].perMm, 2.25, 0.02, "larger by key");
  const unmoved = (await lie(abreast[0])).middle;
  await page.keyboard.press("Shift+ArrowRight");
  near((await lie(abreast[1])).middle[0] - unmoved[0], (0.08 / 2.25) * size[0], 0.11, "moved by key");
  await page.keyboard.press("-");
  await page.keyboard.press("0");
  await page.mouse.move(2, 2);
  await page.focus("#glass");
  for (let i = 0; i < 4; i++) await page.keyboard.press("ArrowRight");
  for (let i = 0; i < 2; i++) await page.keyboard.press("ArrowUp");
  const walked = (await reading()).at;
  // Read to a tenth of a millimetre; the common part is cut to whole cells, of which three are read.
  near(walked[0], 0.54 * size[0], 0.05 + spot / 6, "the loupe by keys");
  near(walked[1], 0.5 * size[1] - 0.02 * size[0], 0.05 + spot / 6, "the loupe by keys");

  // ---- blink: each plate in its turn, held still or not
  // The glass without its labels, and without the ring that focus draws.
  const whole = { x: Math.round(glass.x) + 8, y: Math.round(glass.y) + 40, width: Math.round(glass.width) - 16, height: Math.round(glass.height) - 48 };
  await page.click("input[value=blink]");
  await page.focus("#glass");
  await page.keyboard.press("h");
  await page.mouse.move(2, 2);
  // A place that all of them show, with tones that tell them apart.
  const wide = await lie(alone);
  const tell = wide.to(even[2].at);
  await page.mouse.move(2, 2);
  const views = [];
  for (let i = 0; i < 4; i++) {
    views.push({ picture: await seen(whole), tone: (await colour(tell))[1] });
    await keep(`blink-${i}`);
    await page.keyboard.press(" ");
  }
  const tones = views.map((v) => v.tone);
  assert.equal(new Set(tones.slice(0, 3).map(Math.round)).size, 3, tones.join());
  assert.equal(apart(views[0].picture, views[3].picture), 0, "the fourth is the first again");
  // Positives: the denser the plate, the lighter. Which plate came first follows from the order of their densities.
  const order = [0, 1, 2].map((i) => views[i].tone);
  const start = [0, 1, 2].find((s) => {
    const turned = [0, 1, 2].map((i) => order[(i + s) % 3]);
    return turned[1] > turned[0] && turned[0] > turned[2];
  });
  assert.ok(start !== undefined, `${order.join()} are not the plates in their order`);
  const single = [0, 1, 2].map((i) => views[(i + start) % 3].picture);
  for (const i of [1, 2]) {
    const part = (p) => ({ width: 500, height: 400, at: (x, y) => p.at(x + Math.round(p.width / 2) - 250, y + 80) });
    assert.deepEqual(shift(part(single[0]), part(single[i])), [0, 0], `blink: plate ${i}`);
  }
  await page.click("#pause");
  assert.equal(await page.locator("#pause").getAttribute("aria-pressed"), "false");
  const met = new Set();
  for (const end = Date.now() + 15000; met.size < 3 && Date.now() < end;) met.add(Math.round((await colour(tell))[1]));
  assert.equal(met.size, 3, "all plates come round");
  await page.click("#pause");
  const held = await colour(tell);
  await page.waitForTimeout(1600);
  assert.deepEqual(await colour(tell), held, "held still");

  // ---- wipe: the first on one side of the edge, the second on the other
  await page.focus("#glass");
  await page.keyboard.press("2");
  await page.mouse.move(2, 2);
  const share = async () => Number(await page.locator("#wiper input").inputValue());
  assert.equal(await share(), 50);
  const edge = () => share().then((v) => glass.x + (glass.width * v) / 100);
  const wiped = async (first, second, what) => {
    await page.mouse.move(2, 2);
    const picture = await seen(whole), at = Math.round((await edge()) - whole.x);
    const part = (p, from, to) => ({ width: to - from, height: p.height, at: (x, y) => p.at(x + from, y) });
    // Up to six pixels about the edge may be its line, and pixels that it cuts.
    assert.equal(apart(part(picture, 0, at - 6), part(single[first], 0, at - 6)), 0, `${what}: left of the edge`);
    assert.equal(apart(part(picture, at + 6, picture.width), part(single[second], at + 6, picture.width)), 0, `${what}: right of the edge`);
  };
  await wiped(0, 1, "wipe");
  await page.mouse.move(await edge(), glass.y + 200);
  await page.mouse.down();
  await page.mouse.move(glass.x + 0.3 * glass.width, glass.y + 220, { steps: 5 });
  await page.mouse.up();
  assert.equal(await share(), 30);
  await wiped(0, 1, "dragged");
  await page.focus("#glass");
  for (let i = 0; i < 5; i++) await page.keyboard.press("]");
  await page.keyboard.press("[");
  assert.equal(await share(), 38);
  await page.focus("#wiper input");
  await page.keyboard.press("ArrowRight");
  assert.equal(await share(), 39);
  await wiped(0, 1, "by keys");
  await keep("wipe");
  await page.selectOption("#second", { label: plates[2] });
  await wiped(0, 2, "another second");
  await page.selectOption("#first", { label: plates[2] });
  assert.deepEqual(await page.evaluate(() => ["first", "second"].map((id) => document.getElementById(id).value)), ["2", "0"]);
  await wiped(2, 0, "changed over by the list");
  await page.focus("#glass");
  await page.keyboard.press(" ");
  await wiped(0, 2, "changed over by key");
  await page.mouse.move(...wide.to(even[6].at));
  const two = (await reading()).densities;
  assert.deepEqual(Object.keys(two), [plates[0], plates[2]]);
  near(two[plates[2]].d, even[6].densities[2], off, "read in the wipe");
  await keep("wipe-loupe");

  // ---- difference: gray where plates are the same, blue where the second has less, orange where it has more, all the more the farther
  await page.selectOption("#second", { label: plates[1] });
  await page.click("input[value=difference]");
  await page.mouse.move(2, 2);
  const tinted = [];
  for (const { at, densities } of even) {
    const [r, g, b] = await colour(wide.to(at));
    tinted.push({ more: densities[1] - densities[0], r, g, b });
  }
  for (const { more, r, g, b } of tinted) {
    const what = `${more}: ${[r, g, b]}`;
    if (Math.abs(more) < 1e-9) assert.ok(Math.max(r, g, b) - Math.min(r, g, b) < 4, what);
    else assert.ok(more > 0 ? r > b + 10 : b > r + 10, what);
  }
  const warm = tinted.filter(({ more }) => more >= 0).sort((p, q) => p.more - q.more);
  assert.ok(warm.length > 4);
  for (let i = 1; i < warm.length; i++) assert.ok(warm[i].g < warm[i - 1].g, `the farther, the darker: ${JSON.stringify(warm)}`);
  const ends = await page.locator("#scale").innerText();
  assert.match(ends, /−[\d.]+ and less/);
  assert.match(ends, /\+[\d.]+ and more/);
  await keep("difference");

  // ---- the loupe is drawn from tiles: stripes that the picture in the page cannot hold are there, and are not without the tiles
  await page.focus("#glass");
  await page.keyboard.press("1");
  await page.keyboard.press("0");
  const underLoupe = async (which) => {
    const [x, y] = panes[1].to(stripes);
    await which.mouse.move(x, y);
    await settled(which);
    await which.waitForTimeout(300);
    // Right below the pointer; the square that is read is in its middle.
    return roughness(await seen({ x: x + 24 + 8, y: y + 24 + 8, width: 44, height: 44 }, which));
  };
  const fine = await underLoupe(page);
  await keep("loupe-stripes");
  const without = await open({}, (bare) => bare.route("**/tiles/**", (route) => route.abort()));
  const coarse = await underLoupe(without.page);
  assert.ok(fine > 3 * coarse, `stripes stand out by ${fine} codes with tiles, by ${coarse} without`);
  await without.page.close();

  // ---- tiles are asked for when the panes show more than the pictures in the page hold, of every plate, and no more than they show
  const fresh = await open();
  await fresh.page.focus("#glass");
  for (let i = 0; i < 6; i++) await fresh.page.keyboard.press("+");
  await settled(fresh.page);
  for (const i of plates.keys()) {
    const of = fresh.asked.filter((url) => url.startsWith(`${beside}tiles/${i}/`)).length;
    assert.ok(of >= 1 && of <= 12, `${of} tiles of plate ${i}`);
  }
  assert.deepEqual(fresh.troubles, []);
  await fresh.page.close();

  // ---- the rest of the keys; motion is not forced on those who asked for none; a small screen holds it all
  const surround = () => page.evaluate(() => getComputedStyle(document.body).backgroundColor);
  const grays = [];
  for (let turn = 0; turn < 3; turn++) { grays.push(await surround()); await page.keyboard.press("g"); }
  assert.equal(new Set(grays).size, 3, grays.join());
  const calm = await open({ reducedMotion: "reduce" });
  await calm.page.keyboard.press("3");
  assert.equal(await calm.page.locator("#pause").getAttribute("aria-pressed"), "true");
  assert.deepEqual(calm.troubles, []);
  await calm.page.close();
  await page.screenshot({ path: path.join(shots, "all.png"), fullPage: true });
  await page.setViewportSize({ width: 390, height: 844 });
  await settled();
  const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  assert.ok(over <= 0, `${over} px too wide`);
  await keep("small");

  assert.deepEqual(asked.filter((url) => !url.startsWith(`${beside}tiles/`)), []);
  assert.deepEqual(troubles, []);
  console.log(`${read} differences read, ${asked.length} tiles asked for, stripes ${fine.toFixed(1)} codes with tiles and ${coarse.toFixed(1)} without`);
} finally {
  await browser.close();
}
