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
  const loupe = byId("loupe"), loupePen = loupe.getContext("2d");
  const reading = byId("reading"), wiper = byId("wiper"), pause = byId("pause"), scale = byId("scale");
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;

  // Places are in shares of the common part's width: x from 0 to 1, y from 0 to `tall`.
  const tall = rows / columns;
  const state = { way: "beside", first: 0, second: 1, zoom: 1, x: 0.5, y: tall / 2, edge: 0.5, probe: null, over: false, held: still };

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

  // ---- drawing
  const panes = () => {
    const w = glass.width, h = glass.height;
    if (state.way !== "beside") return [{ left: 0, width: w, height: h }];
    const gap = Math.round(w * 0.008);
    return [{ left: 0, width: (w - gap) / 2, height: h }, { left: (w + gap) / 2, width: (w - gap) / 2, height: h }];
  };
  const unit = (pane) => state.zoom * Math.min(pane.width * 0.96, (pane.height * 0.96) / tall);
  const toPlace = (pane, px, py) => ({ x: state.x + (px - pane.left - pane.width / 2) / unit(pane), y: state.y + (py - pane.height / 2) / unit(pane) });
  const toPixel = (pane, x, y) => [pane.left + pane.width / 2 + (x - state.x) * unit(pane), pane.height / 2 + (y - state.y) * unit(pane)];

  const draw = (to, source, pane, plate) => {
    const u = unit(pane), [left, top] = toPixel(pane, 0, 0);
    to.imageSmoothingQuality = "high";
    to.imageSmoothingEnabled = u < 3 * source.width;
    to.drawImage(source, left, top, u, u * tall);
    const fine = about.tiles;
    if (plate === null || !fine || u <= source.width * 1.05) return;
    const s = u / fine.columns;
    const range = (from, size, count) => [Math.max(0, Math.floor(-from / s / fine.side)), Math.min(count - 1, Math.floor((size - from) / s / fine.side))];
    const [r0, r1] = range(top, pane.height, Math.ceil(fine.rows / fine.side));
    const [c0, c1] = range(left - pane.left, pane.width, Math.ceil(fine.columns / fine.side));
    for (let r = r0; r <= r1; r++) for (let c = c0; c <= c1; c++) {
      const image = tile(plate, r, c);
      if (image) to.drawImage(image, left + c * fine.side * s, top + r * fine.side * s, image.naturalWidth * s, image.naturalHeight * s);
    }
  };
  const clipped = (pane, from, to, what) => {
    pen.save();
    pen.beginPath();
    pen.rect(pane.left + from * pane.width, 0, (to - from) * pane.width, pane.height);
    pen.clip();
    what();
    pen.restore();
  };
  const label = (pane, text, right) => {
    const size = Math.round(13 * devicePixelRatio);
    pen.font = size + "px system-ui, sans-serif";
    const w = pen.measureText(text).width, pad = size * 0.5;
    const x = right ? pane.left + pane.width - w - 2 * pad : pane.left;
    pen.fillStyle = "#000"; pen.fillRect(x, 0, w + 2 * pad, size * 1.7);
    pen.fillStyle = "#fff"; pen.fillText(text, x + pad, size * 1.2);
  };
  const cross = (pane) => {
    if (!state.probe) return;
    const [x, y] = toPixel(pane, state.probe.x, state.probe.y), r = 9 * devicePixelRatio;
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
    const { first, second, way } = state, all = panes();
    if (way === "beside") {
      [first, second].forEach((plate, i) => {
        clipped(all[i], 0, 1, () => draw(pen, pictures[plate], all[i], plate));
        label(all[i], plates[plate], false);
        cross(all[i]);
      });
    } else if (way === "wipe") {
      const pane = all[0];
      clipped(pane, 0, state.edge, () => draw(pen, pictures[first], pane, first));
      clipped(pane, state.edge, 1, () => draw(pen, pictures[second], pane, second));
      const x = state.edge * w;
      pen.fillStyle = "#000"; pen.fillRect(x - 1.5 * devicePixelRatio, 0, 3 * devicePixelRatio, h);
      pen.fillStyle = "#fff"; pen.fillRect(x - 0.5 * devicePixelRatio, 0, devicePixelRatio, h);
      label(pane, plates[first], false); label(pane, plates[second], true); cross(pane);
    } else if (way === "blink") {
      const plate = state.over ? second : first;
      draw(pen, pictures[plate], all[0], plate);
      label(all[0], plates[plate], false); cross(all[0]);
    } else {
      draw(pen, differenceOf(first, second).made, all[0], null);
      label(all[0], plates[second] + " less " + plates[first], false); cross(all[0]);
    }
    read(all[0]);
  };
  let asked = false;
  const ask = () => {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => { asked = false; paint(); });
  };

  // ---- the loupe and what it reads
  const densityAt = (plate, place) => {
    const c = Math.floor(place.x * columns), r = Math.floor((place.y / tall) * rows);
    if (c < 0 || r < 0 || c >= columns || r >= rows) return null;
    let sum = 0, n = 0;
    for (let y = Math.max(0, r - 1); y <= Math.min(rows - 1, r + 1); y++)
      for (let x = Math.max(0, c - 1); x <= Math.min(columns - 1, c + 1); x++) { sum += densities[plate][y * columns + x]; n++; }
    return sum / n;
  };
  const signed = (v) => (v < -0.005 ? "−" : v >= 0.005 ? "+" : "") + Math.abs(v).toFixed(2);
  const read = (pane) => {
    const place = state.probe, { first, second } = state;
    const [a, b] = place ? [densityAt(first, place), densityAt(second, place)] : [null, null];
    const inside = a !== null && b !== null;
    loupe.style.display = inside ? "block" : "none";
    reading.replaceChildren();
    if (!inside) {
      reading.textContent = "Move over the plates, or use the arrow keys, to read densities.";
      return;
    }
    const strong = (text) => { const e = document.createElement("b"); e.textContent = text; return e; };
    reading.append("Density above base: ", plates[first] + " ", strong(a.toFixed(2)), ", " + plates[second] + " ", strong(b.toFixed(2)),
      ", difference ", strong(signed(b - a)), ` at ${(place.x * about.widthMm).toFixed(1)} × ${(place.y * about.widthMm).toFixed(1)} mm`);
    const half = loupe.width / 2, high = loupe.height;
    loupePen.fillStyle = "#777"; loupePen.fillRect(0, 0, loupe.width, high);
    [first, second].forEach((plate, i) => {
      const source = pictures[plate], side = Math.max(14, source.naturalWidth / state.zoom / 24);
      const sx = place.x * source.naturalWidth - side / 2, sy = (place.y / tall) * source.naturalHeight - side / 2;
      loupePen.drawImage(source, sx, sy, side, side, i * half, 0, half, high);
      loupePen.strokeStyle = "#fff"; loupePen.globalCompositeOperation = "difference";
      loupePen.strokeRect(i * half + half / 2 - 4, high / 2 - 4, 8, 8);
      loupePen.globalCompositeOperation = "source-over";
    });
    const [x, y] = toPixel(pane, place.x, place.y).map((v) => v / devicePixelRatio);
    const box = glass.getBoundingClientRect();
    loupe.style.left = Math.max(0, Math.min(box.width - 266, x + 24)) + "px";
    loupe.style.top = (y + 160 > box.height ? Math.max(0, y - 156) : y + 24) + "px";
  };

  // ---- what the reader does
  const setWay = (way) => {
    state.way = way;
    document.querySelector(`input[name=way][value=${way}]`).checked = true;
    wiper.hidden = way !== "wipe";
    pause.hidden = way !== "blink";
    scale.hidden = way !== "difference";
    if (way === "difference") legend();
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
    const pane = panes()[0], before = at && toPlace(at.pane, at.x, at.y);
    const own = (about.tiles ? about.tiles.columns : pictures[0].naturalWidth) / (unit(pane) / state.zoom);
    state.zoom = Math.min(Math.max(4, 8 * own), Math.max(1, state.zoom * factor));
    if (before) {
      const after = toPlace(at.pane, at.x, at.y);
      state.x += before.x - after.x;
      state.y += before.y - after.y;
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
  const at = (event) => {
    const box = glass.getBoundingClientRect();
    const x = (event.clientX - box.left) * devicePixelRatio, y = (event.clientY - box.top) * devicePixelRatio;
    const all = panes();
    return { x, y, pane: all.find((p) => x >= p.left && x < p.left + p.width) || all[0] };
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
      state.x = drag.fromX - (p.x - drag.x) / unit(drag.pane);
      state.y = drag.fromY - (p.y - drag.y) / unit(drag.pane);
      keep();
    }
    state.probe = toPlace(p.pane, p.x, p.y);
    ask();
  });
  glass.addEventListener("pointerup", () => { drag = null; });
  glass.addEventListener("pointercancel", () => { drag = null; });
  glass.addEventListener("pointerleave", () => { if (!drag) { state.probe = null; ask(); } });
  glass.addEventListener("wheel", (event) => { event.preventDefault(); zoomBy(Math.exp(-event.deltaY / 400), at(event)); }, { passive: false });
  document.querySelectorAll("input[name=way]").forEach((input) => input.addEventListener("change", () => setWay(input.value)));
  for (const which of ["first", "second"]) {
    const list = byId(which);
    if (list) list.addEventListener("change", () => { state[which] = Number(list.value); if (state.way === "difference") legend(); ask(); });
  }
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
    } else if (event.key === " " && !event.target.matches("button, input")) {
      state.over = !state.over;
      hold(true);
      if (state.way !== "blink") [state.first, state.second] = [state.second, state.first];
      if (state.way === "difference") legend();
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
  setInterval(() => { if (state.way === "blink" && !state.held) { state.over = !state.over; ask(); } }, 700);
  addEventListener("resize", ask);

  // ---- begin
  document.querySelectorAll(".tools, .glass, #keys").forEach((e) => { e.hidden = false; });
  document.querySelector(".still").hidden = true;
  hold(state.held);
  Promise.all(pictures.map((p) => p.decode().catch(() => null))).then(() => { document.documentElement.dataset.ready = "yes"; ask(); });
})();
