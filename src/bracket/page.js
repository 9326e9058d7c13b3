"use strict";
(() => {
  const about = JSON.parse(document.getElementById("about").textContent);
  const pictures = [...document.querySelectorAll(".still img")];
  const { columns, rows, plates } = about;
  const densities = [...document.querySelectorAll("script.density")].map((holder) => {
    const text = atob(holder.textContent);
    const bytes = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
    const view = new DataView(bytes.buffer);
    return Float32Array.from({ length: columns * rows }, (_, i) => about.lowest + view.getUint16(2 * i, true) / about.steps);
  });
  const byId = (id) => document.getElementById(id);
  const glass = byId("glass"), pen = glass.getContext("2d");
  const reading = byId("reading"), wiper = byId("wiper"), pause = byId("pause"), pair = byId("pair"), scale = byId("scale");
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;

  // Places are in shares of the common part's width: x from 0 to 1, y from 0 to `tall`.
  const tall = rows / columns;
  const state = { way: "beside", first: 0, second: 1, shown: 0, zoom: 1, x: 0.5, y: tall / 2, edge: 0.5, probe: null, held: still };

  // ---- pictures and difference
  const difference = new Map();
  const spread = (a, b) => {
    const sizes = [];
    for (let i = 0; i < columns * rows; i += 7) sizes.push(Math.abs(densities[b][i] - densities[a][i]));
    sizes.sort((p, q) => p - q);
    return Math.max(0.1, Math.ceil(sizes[Math.floor(sizes.length * 0.98)] * 20) / 20);
  };
  // Blue, gray, orange: apart for colour-blind eyes, and as dark at either end.
  const stops = [[0, 8, 64, 120], [0.25, 96, 150, 200], [0.5, 205, 205, 205], [0.75, 222, 140, 66], [1, 128, 52, 0]];
  const shade = (t) => {
    t = Math.min(1, Math.max(0, t));
    let i = 1;
    while (t > stops[i][0]) i++;
    const [a, b] = [stops[i - 1], stops[i]], f = (t - a[0]) / (b[0] - a[0]);
    return [1, 2, 3].map((c) => a[c] + f * (b[c] - a[c]));
  };
  const differenceOf = (a, b) => {
    const key = a + "-" + b;
    if (!difference.has(key)) {
      const range = spread(a, b), made = document.createElement("canvas");
      made.width = columns; made.height = rows;
      const pixels = new ImageData(columns, rows);
      for (let i = 0; i < columns * rows; i++) {
        const [r, g, bl] = shade(0.5 + (densities[b][i] - densities[a][i]) / range / 2);
        pixels.data.set([r, g, bl, 255], 4 * i);
      }
      made.getContext("2d").putImageData(pixels, 0, 0);
      difference.set(key, { made, range });
    }
    return difference.get(key);
  };

  // ---- finer tiles, if they lie beside the page
  const tiles = new Map();
  const tile = (plate, row, column) => {
    const key = plate + "/" + row + "-" + column;
    if (!tiles.has(key)) {
      const image = new Image();
      tiles.set(key, { image, ready: false });
      image.onload = () => { tiles.get(key).ready = true; ask(); };
      image.src = "tiles/" + key + ".jpg";
    }
    const found = tiles.get(key);
    return found.ready ? found.image : null;
  };

  // ---- panes: boxes on the glass, with the place that lies in a box's middle and the pixels that the common part's width takes
  const panes = () => {
    const count = state.way === "beside" ? plates.length : 1, gap = Math.round(glass.width * 0.008);
    const cut = (across) => {
      const down = Math.ceil(count / across);
      const width = Math.floor((glass.width - gap * (across - 1)) / across), height = Math.floor((glass.height - gap * (down - 1)) / down);
      return { across, width, height, unit: 0.96 * Math.min(width, height / tall) };
    };
    // As many abreast as shows the plates largest.
    const { across, width, height, unit } = plates.slice(0, count).map((_, i) => cut(i + 1)).reduce((p, q) => (q.unit > p.unit ? q : p));
    return Array.from({ length: count }, (_, i) => ({
      left: (i % across) * (width + gap), top: Math.floor(i / across) * (height + gap), width, height, unit: unit * state.zoom, x: state.x, y: state.y,
    }));
  };
  const toPlace = (pane, px, py) => ({ x: pane.x + (px - pane.left - pane.width / 2) / pane.unit, y: pane.y + (py - pane.top - pane.height / 2) / pane.unit });
  const toPixel = (pane, x, y) => [pane.left + pane.width / 2 + (x - pane.x) * pane.unit, pane.top + pane.height / 2 + (y - pane.y) * pane.unit];
  // Pixels that the common part has in the finest pictures there are.
  const finest = () => (about.tiles ? about.tiles.columns : pictures[0].naturalWidth);
  const holds = (box, x, y) => x >= box.left && x < box.left + box.width && y >= box.top && y < box.top + box.height;

  // ---- drawing
  const draw = (pane, source, plate) => {
    const u = pane.unit, [left, top] = toPixel(pane, 0, 0), wide = source.naturalWidth || source.width;
    pen.imageSmoothingQuality = "high";
    pen.imageSmoothingEnabled = u < 3 * wide;
    pen.drawImage(source, left, top, u, u * tall);
    const fine = about.tiles;
    if (plate === null || !fine || u <= wide * 1.05) return;
    const s = u / fine.columns;
    pen.imageSmoothingEnabled = s < 3;
    const range = (from, size, count) => [Math.max(0, Math.floor(-from / s / fine.side)), Math.min(count - 1, Math.floor((size - from) / s / fine.side))];
    const [r0, r1] = range(top - pane.top, pane.height, Math.ceil(fine.rows / fine.side));
    const [c0, c1] = range(left - pane.left, pane.width, Math.ceil(fine.columns / fine.side));
    for (let r = r0; r <= r1; r++) for (let c = c0; c <= c1; c++) {
      const image = tile(plate, r, c);
      if (image) pen.drawImage(image, left + c * fine.side * s, top + r * fine.side * s, image.naturalWidth * s, image.naturalHeight * s);
    }
  };
  const clipped = (box, what) => {
    pen.save();
    pen.beginPath();
    pen.rect(box.left, box.top, box.width, box.height);
    pen.clip();
    what();
    pen.restore();
  };
  const label = (pane, text, right) => {
    const size = Math.round(13 * devicePixelRatio);
    pen.font = size + "px system-ui, sans-serif";
    const w = pen.measureText(text).width, pad = size * 0.5;
    const x = right ? pane.left + pane.width - w - 2 * pad : pane.left;
    pen.fillStyle = "#000"; pen.fillRect(x, pane.top, w + 2 * pad, size * 1.7);
    pen.fillStyle = "#fff"; pen.fillText(text, x + pad, pane.top + size * 1.2);
  };
  const cross = (x, y) => {
    const r = 9 * devicePixelRatio;
    for (const [colour, width] of [["#000", 3], ["#fff", 1.2]]) {
      pen.strokeStyle = colour; pen.lineWidth = width * devicePixelRatio;
      pen.beginPath();
      pen.moveTo(x - r, y); pen.lineTo(x - r / 3, y); pen.moveTo(x + r / 3, y); pen.lineTo(x + r, y);
      pen.moveTo(x, y - r); pen.lineTo(x, y - r / 3); pen.moveTo(x, y + r / 3); pen.lineTo(x, y + r);
      pen.stroke();
    }
  };
  const paint = () => {
    const box = glass.getBoundingClientRect();
    const w = Math.max(1, Math.round(box.width * devicePixelRatio)), h = Math.max(1, Math.round(box.height * devicePixelRatio));
    if (glass.width !== w || glass.height !== h) { glass.width = w; glass.height = h; }
    pen.clearRect(0, 0, w, h);
    const { first, second, shown, way } = state, all = panes(), [pane] = all;
    const plate = (pane, which, box = pane) => clipped(box, () => draw(pane, pictures[which], which));
    if (way === "beside") {
      plates.forEach((name, i) => { plate(all[i], i); label(all[i], name); look(all[i], [i]); });
    } else if (way === "wipe") {
      const x = state.edge * w;
      plate(pane, first, { ...pane, width: x });
      plate(pane, second, { ...pane, left: x, width: w - x });
      pen.fillStyle = "#000"; pen.fillRect(x - 1.5 * devicePixelRatio, 0, 3 * devicePixelRatio, h);
      pen.fillStyle = "#fff"; pen.fillRect(x - 0.5 * devicePixelRatio, 0, devicePixelRatio, h);
      label(pane, plates[first]); label(pane, plates[second], true); look(pane, [first, second]);
    } else if (way === "blink") {
      plate(pane, shown); label(pane, plates[shown]); look(pane, [shown]);
    } else {
      draw(pane, differenceOf(first, second).made, null);
      label(pane, plates[second] + " less " + plates[first]); look(pane, [first, second]);
    }
    read(way === "beside" || way === "blink" ? plates.map((_, i) => i) : [first, second]);
  };
  let asked = false;
  const ask = () => {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => { asked = false; paint(); });
  };

  // ---- the loupe and what it reads: means over squares of three cells each way, since a single one holds the plate's grain
  const SPOT = 3;
  const cellAt = (place) => {
    const column = Math.floor(place.x * columns), row = Math.floor((place.y / tall) * rows);
    return column < 0 || row < 0 || column >= columns || row >= rows ? null : { column, row };
  };
  const densityAt = (plate, cell) => {
    const reach = (SPOT - 1) / 2;
    let sum = 0, n = 0;
    for (let y = Math.max(0, cell.row - reach); y <= Math.min(rows - 1, cell.row + reach); y++)
      for (let x = Math.max(0, cell.column - reach); x <= Math.min(columns - 1, cell.column + reach); x++) { sum += densities[plate][y * columns + x]; n++; }
    return sum / n;
  };
  // The cross, and beside it what lies under it on these plates, larger, with the square that is read.
  const look = (pane, shown) => {
    const place = state.probe, cell = place && cellAt(place);
    if (!cell) return;
    const [x, y] = toPixel(pane, place.x, place.y);
    if (!holds(pane, x, y)) return;
    cross(x, y);
    const unit = Math.min(5 * pane.unit, 16 * finest());
    const side = Math.round(Math.min(132 * devicePixelRatio, 0.4 * Math.min(pane.width, pane.height))), off = 24 * devicePixelRatio;
    const beside = (at, size, from, room) => Math.max(from, at + off + size <= from + room ? at + off : at - off - size);
    const left = Math.round(beside(x, side * shown.length, pane.left, pane.width)), top = Math.round(beside(y, side, pane.top, pane.height));
    shown.forEach((plate, i) => {
      const loupe = { left: left + i * side, top, width: side, height: side, unit, ...place };
      clipped(loupe, () => {
        pen.fillStyle = "#777"; pen.fillRect(loupe.left, top, side, side);
        draw(loupe, pictures[plate], plate);
        const reach = (SPOT - 1) / 2, [l, t] = toPixel(loupe, (cell.column - reach) / columns, (cell.row - reach) / columns);
        pen.strokeStyle = "#fff"; pen.lineWidth = devicePixelRatio; pen.globalCompositeOperation = "difference";
        pen.strokeRect(l, t, (SPOT / columns) * unit, (SPOT / columns) * unit);
      });
    });
    for (const [colour, width] of [["#fff", 3], ["#000", 1]]) {
      pen.strokeStyle = colour; pen.lineWidth = width * devicePixelRatio;
      pen.strokeRect(left, top, side * shown.length, side);
    }
  };
  const figure = (v) => (v <= -0.005 ? "−" : "") + Math.abs(v).toFixed(2);
  const against = (v) => (Math.abs(v) < 0.005 ? "the same" : Math.abs(v).toFixed(2) + (v > 0 ? " more" : " less"));
  const read = (shown) => {
    const place = state.probe, cell = place && cellAt(place);
    const said = document.createElement("p");
    if (cell) {
      const spot = ((SPOT / columns) * about.widthMm).toFixed(2), found = shown.map((plate) => densityAt(plate, cell));
      said.append(`Density above base over ${spot} × ${spot} mm: `);
      found.forEach((d, i) => {
        const strong = document.createElement("b");
        strong.textContent = figure(d);
        said.append(i ? ", " : "", plates[shown[i]] + " ", strong, i ? ` (${against(d - found[0])})` : "");
      });
      said.append(`, at ${(place.x * about.widthMm).toFixed(1)} × ${(place.y * about.widthMm).toFixed(1)} mm`);
    } else said.textContent = "Move over the plates, or use the arrow keys, to read densities.";
    // What has not changed is not to be read out again.
    if (said.textContent !== reading.textContent) reading.replaceChildren(...said.childNodes);
  };

  // ---- what the reader does
  const setWay = (way) => {
    state.way = way;
    document.querySelector(`input[name=way][value=${way}]`).checked = true;
    wiper.hidden = way !== "wipe";
    pause.hidden = way !== "blink";
    scale.hidden = way !== "difference";
    if (pair) pair.hidden = way !== "wipe" && way !== "difference";
    if (way === "difference") legend();
    ask();
  };
  const choose = (first, second) => {
    state.first = first; state.second = second;
    if (pair) { byId("first").value = first; byId("second").value = second; }
    if (state.way === "difference") legend();
    ask();
  };
  const legend = () => {
    const strip = scale.querySelector("canvas"), p = strip.getContext("2d");
    for (let i = 0; i < strip.width; i++) {
      p.fillStyle = `rgb(${shade(i / (strip.width - 1)).map(Math.round)})`;
      p.fillRect(i, 0, 1, strip.height);
    }
    const range = differenceOf(state.first, state.second).range.toFixed(2);
    byId("less").textContent = "−" + range + " and less";
    byId("more").textContent = "+" + range + " and more";
  };
  const zoomBy = (factor, at) => {
    const most = Math.max(4, (8 * finest() * state.zoom) / panes()[0].unit), before = state.zoom;
    state.zoom = Math.min(most, Math.max(1, before * factor));
    if (at) {
      // What lies under the pointer stays there.
      const place = toPlace(at.pane, at.x, at.y), share = before / state.zoom;
      state.x = place.x + (state.x - place.x) * share;
      state.y = place.y + (state.y - place.y) * share;
    }
    keep();
  };
  const whole = () => { state.zoom = 1; state.x = 0.5; state.y = tall / 2; ask(); };
  const keep = () => {
    if (state.zoom <= 1) { state.x = 0.5; state.y = tall / 2; }
    state.x = Math.min(1, Math.max(0, state.x));
    state.y = Math.min(tall, Math.max(0, state.y));
    ask();
  };
  const setEdge = (share) => {
    state.edge = Math.min(1, Math.max(0, share));
    wiper.querySelector("input").value = Math.round(100 * state.edge);
    ask();
  };
  const hold = (held) => {
    state.held = held;
    pause.setAttribute("aria-pressed", String(held));
    ask();
  };
  const next = () => { state.shown = (state.shown + 1) % plates.length; };
  const at = (event) => {
    const box = glass.getBoundingClientRect();
    const x = (event.clientX - box.left) * devicePixelRatio, y = (event.clientY - box.top) * devicePixelRatio;
    const all = panes();
    return { x, y, pane: all.find((p) => holds(p, x, y)) || all[0] };
  };
  let drag = null;
  glass.addEventListener("pointerdown", (event) => {
    const p = at(event);
    const wiping = state.way === "wipe" && Math.abs(p.x - state.edge * glass.width) < 14 * devicePixelRatio;
    drag = { ...p, wiping, fromX: state.x, fromY: state.y };
    glass.setPointerCapture(event.pointerId);
  });
  glass.addEventListener("pointermove", (event) => {
    const p = at(event);
    if (drag && drag.wiping) return setEdge(p.x / glass.width);
    if (drag && state.zoom > 1) {
      state.x = drag.fromX - (p.x - drag.x) / drag.pane.unit;
      state.y = drag.fromY - (p.y - drag.y) / drag.pane.unit;
      keep();
    }
    state.probe = toPlace(at(event).pane, p.x, p.y);
    ask();
  });
  glass.addEventListener("pointerup", () => { drag = null; });
  glass.addEventListener("pointercancel", () => { drag = null; });
  glass.addEventListener("pointerleave", () => { if (!drag) { state.probe = null; ask(); } });
  glass.addEventListener("wheel", (event) => { event.preventDefault(); zoomBy(Math.exp(-event.deltaY / 400), at(event)); }, { passive: false });
  document.querySelectorAll("input[name=way]").forEach((input) => input.addEventListener("change", () => setWay(input.value)));
  if (pair) pair.addEventListener("change", (event) => {
    const chosen = Number(event.target.value), { first, second } = state;
    // A plate chosen against itself changes places with the other.
    if (event.target.id === "first") choose(chosen, chosen === second ? first : second);
    else choose(chosen === first ? second : first, chosen);
  });
  byId("in").addEventListener("click", () => zoomBy(1.5));
  byId("out").addEventListener("click", () => zoomBy(1 / 1.5));
  byId("fit").addEventListener("click", whole);
  pause.addEventListener("click", () => hold(!state.held));
  wiper.addEventListener("input", (event) => setEdge(event.target.value / 100));

  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("select, input[type=range]")) return;
    const ways = ["beside", "wipe", "blink", "difference"], arrow = arrows[event.key];
    if (ways[event.key - 1]) setWay(ways[event.key - 1]);
    else if (event.key === "+" || event.key === "=") zoomBy(1.5);
    else if (event.key === "-") zoomBy(1 / 1.5);
    else if (event.key === "0") whole();
    else if (event.key === "[") setEdge(state.edge - 0.02);
    else if (event.key === "]") setEdge(state.edge + 0.02);
    else if (event.key === "h" || event.key === "H") hold(!state.held);
    else if (event.key === "g" || event.key === "G") {
      const all = [...document.querySelectorAll("input[name=surround]")];
      all[(all.findIndex((i) => i.checked) + 1) % all.length].checked = true;
      ask();
    } else if (event.key === " " && state.way !== "beside" && !event.target.matches("button, input")) {
      if (state.way === "blink") { next(); hold(true); } else choose(state.second, state.first);
    } else if (arrow && (document.activeElement === glass || event.shiftKey)) {
      const step = 0.01 / state.zoom;
      if (event.shiftKey) { state.x += 8 * step * arrow[0]; state.y += 8 * step * arrow[1]; keep(); }
      else {
        const from = state.probe || { x: state.x, y: state.y };
        state.probe = { x: Math.min(1, Math.max(0, from.x + step * arrow[0])), y: Math.min(tall, Math.max(0, from.y + step * arrow[1])) };
      }
    } else return;
    event.preventDefault();
    ask();
  });
  setInterval(() => { if (state.way === "blink" && !state.held) { next(); ask(); } }, 700);
  addEventListener("resize", ask);

  // ---- begin
  document.querySelectorAll(".tools, .glass, #keys").forEach((e) => { e.hidden = false; });
  document.querySelector(".still").hidden = true;
  hold(state.held);
  Promise.all(pictures.map((p) => p.decode().catch(() => null))).then(() => { document.documentElement.dataset.ready = "yes"; ask(); });
})();
