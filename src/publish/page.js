// Each plate in a view of its own, drawn from tiles as they come: by the wheel once it is chosen, by dragging, by keys and buttons.
(() => {
  "use strict";
  const views = [...document.querySelectorAll(".deep")].map((holder) => {
    const { folder, columns, rows, side, levels } = JSON.parse(holder.dataset.picture);
    const first = holder.querySelector("img");
    const glass = holder.appendChild(document.createElement("canvas"));
    const pen = glass.getContext("2d");
    holder.classList.add("live");
    first.loading = "eager";
    glass.tabIndex = 0;
    glass.setAttribute("role", "img");
    glass.setAttribute("aria-label", holder.dataset.label);
    // The plate's pixel in the middle, and how many times it is enlarged over the whole.
    const state = { x: columns / 2, y: rows / 2, zoom: 1, seen: false, asked: false };
    const tiles = new Map();

    const fit = () => Math.min(glass.width / columns, glass.height / rows);
    const most = () => Math.max(1, (4 * devicePixelRatio) / fit());
    // Screen pixels that one of the plate takes.
    const scale = () => fit() * state.zoom;

    const tile = (level, row, column) => {
      const step = side << level, x = column * step, y = row * step;
      const w = Math.min(step, columns - x), h = Math.min(step, rows - y);
      const region = w === columns && h === rows ? "full" : `${x},${y},${w},${h}`;
      const address = `${folder}/${region}/${Math.ceil(w / (1 << level))},${Math.ceil(h / (1 << level))}/0/default.jpg`;
      if (!tiles.has(address)) {
        const image = new Image();
        tiles.set(address, image);
        image.onload = ask;
        image.src = address;
      }
      return { image: tiles.get(address), x, y };
    };

    const draw = () => {
      state.asked = false;
      const ratio = devicePixelRatio;
      const [w, h] = [Math.round(glass.clientWidth * ratio), Math.round(glass.clientHeight * ratio)];
      if (w === 0 || h === 0) return;
      if (glass.width !== w || glass.height !== h) { glass.width = w; glass.height = h; }
      const s = scale(), left = w / 2 - state.x * s, top = h / 2 - state.y * s;
      pen.clearRect(0, 0, w, h);
      pen.imageSmoothingEnabled = s < 3;
      pen.save();
      pen.beginPath();
      pen.rect(left, top, columns * s, rows * s);
      pen.clip();
      // A coarser sampling's last pixels reach beyond the plate's border.
      const put = (image, x, y, factor) => image.complete && image.naturalWidth &&
        pen.drawImage(image, left + x * s, top + y * s, image.naturalWidth * factor * s, image.naturalHeight * factor * s);
      put(first, 0, 0, 2 ** Math.round(Math.log2(rows / (first.naturalHeight || rows))));
      if (columns * s > first.naturalWidth * 1.02) fine(s, left, top, w, h, put);
      pen.restore();
    };
    const fine = (s, left, top, w, h, put) => {
      // The coarsest sampling that still has a pixel for each of the screen's.
      const level = Math.max(0, Math.min(levels - 1, Math.floor(Math.log2(1 / s) + 1e-6)));
      const step = side << level;
      const range = (from, size, length) => [Math.max(0, Math.floor(-from / s / step)), Math.min(Math.ceil(length / step) - 1, Math.floor((size - from) / s / step))];
      const [r0, r1] = range(top, h, rows), [c0, c1] = range(left, w, columns);
      for (let r = r0; r <= r1; r++) for (let c = c0; c <= c1; c++) {
        const { image, x, y } = tile(level, r, c);
        put(image, x, y, 1 << level);
      }
    };
    const ask = () => {
      if (state.asked || !state.seen) return;
      state.asked = true;
      requestAnimationFrame(draw);
    };

    const keepIn = () => {
      const s = scale();
      const within = (at, length, size) => (length * s <= size ? length / 2 : Math.min(length - size / 2 / s, Math.max(size / 2 / s, at)));
      state.x = within(state.x, columns, glass.width);
      state.y = within(state.y, rows, glass.height);
      ask();
    };
    // px, py: the place on the screen that stays, from the middle.
    const zoomBy = (factor, px = 0, py = 0) => {
      const before = scale();
      state.zoom = Math.min(most(), Math.max(1, state.zoom * factor));
      const after = scale();
      state.x += px / before - px / after;
      state.y += py / before - py / after;
      keepIn();
    };
    const move = (right, down) => { state.x += (right * glass.width) / 8 / scale(); state.y += (down * glass.height) / 8 / scale(); keepIn(); };
    const whole = () => { state.zoom = 1; keepIn(); };

    const buttons = holder.appendChild(document.createElement("div"));
    buttons.className = "by";
    for (const [name, told, act] of [["+", "enlarge", () => zoomBy(1.5)], ["−", "reduce", () => zoomBy(1 / 1.5)], ["whole", "show the whole plate", whole]]) {
      const button = buttons.appendChild(document.createElement("button"));
      button.type = "button";
      button.textContent = name;
      button.setAttribute("aria-label", told);
      button.addEventListener("click", act);
    }

    let drag = null;
    const place = (event) => {
      const box = glass.getBoundingClientRect();
      return [event.clientX - box.left - box.width / 2, event.clientY - box.top - box.height / 2].map((at) => at * devicePixelRatio);
    };
    glass.addEventListener("pointerdown", (event) => { drag = [event.clientX, event.clientY]; glass.setPointerCapture(event.pointerId); glass.classList.add("moving"); });
    glass.addEventListener("pointermove", (event) => {
      if (!drag) return;
      const by = devicePixelRatio / scale();
      state.x -= (event.clientX - drag[0]) * by;
      state.y -= (event.clientY - drag[1]) * by;
      drag = [event.clientX, event.clientY];
      keepIn();
    });
    const end = () => { drag = null; glass.classList.remove("moving"); };
    glass.addEventListener("pointerup", end);
    glass.addEventListener("pointercancel", end);
    glass.addEventListener("dblclick", (event) => zoomBy(2, ...place(event)));
    // The wheel scrolls the page until the picture is chosen.
    glass.addEventListener("wheel", (event) => {
      if (document.activeElement !== glass) return;
      event.preventDefault();
      zoomBy(Math.exp(-event.deltaY / 400), ...place(event));
    }, { passive: false });
    glass.addEventListener("keydown", (event) => {
      if (event.altKey || event.ctrlKey || event.metaKey) return;
      const act = {
        "+": () => zoomBy(1.5), "=": () => zoomBy(1.5), "-": () => zoomBy(1 / 1.5), "0": whole, Escape: () => glass.blur(),
        ArrowRight: () => move(1, 0), ArrowLeft: () => move(-1, 0), ArrowDown: () => move(0, 1), ArrowUp: () => move(0, -1),
      }[event.key];
      if (!act) return;
      act();
      event.preventDefault();
    });
    first.addEventListener("load", ask);
    return { holder, state, ask, keepIn };
  });

  const watch = new IntersectionObserver((entries) => entries.forEach((entry) => {
    const view = views.find((one) => one.holder === entry.target);
    view.state.seen = entry.isIntersecting;
    view.ask();
  }), { rootMargin: "50%" });
  views.forEach((view) => watch.observe(view.holder));
  const sized = new ResizeObserver(() => views.forEach((view) => { view.ask(); }));
  views.forEach((view) => sized.observe(view.holder));
})();
