// Keys: left and right go between plates, G changes the surround, V shows a picture alone, Escape leaves it.
(() => {
  "use strict";
  const plates = [...document.querySelectorAll(".plate")];
  const surrounds = [...document.querySelectorAll("[name=surround]")];
  const alone = () => document.body.classList.contains("alone");
  let last = -1;

  // The plate that is being read: the last one that begins in the upper third of the window.
  const current = () =>
    alone() ? last : plates.reduce((at, plate, i) => (plate.getBoundingClientRect().top <= innerHeight / 3 ? i : at), -1);

  const go = (to) => {
    if (to < 0 || to >= plates.length) return;
    last = to;
    plates.forEach((plate, i) => plate.classList.toggle("current", i === to));
    if (alone()) return;
    plates[to].scrollIntoView();
    plates[to].querySelector("h2").focus({ preventScroll: true });
  };

  const look = (yes) => {
    const at = Math.max(current(), 0);
    document.body.classList.toggle("alone", yes && plates.length > 0);
    go(at);
  };

  const keep = (value) => { try { localStorage.setItem("surround", value); } catch { /* private windows keep nothing */ } };
  const choose = (input) => { input.checked = true; keep(input.value); };
  let kept = null;
  try { kept = localStorage.getItem("surround"); } catch { /* the same */ }
  surrounds.filter((input) => input.value === kept).forEach(choose);
  surrounds.forEach((input) => input.addEventListener("change", () => keep(input.value)));

  addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey || event.target.closest("input, .scroll, .deep")) {
      if (event.key !== "g" || event.altKey || event.ctrlKey || event.metaKey) return;
    }
    const act = {
      ArrowRight: () => go(current() + 1),
      ArrowLeft: () => go(current() - 1),
      g: () => choose(surrounds[(surrounds.findIndex((input) => input.checked) + 1) % surrounds.length]),
      v: () => look(!alone()),
      Escape: () => alone() && look(false),
    }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!act) return;
    act();
    if (event.key.startsWith("Arrow")) event.preventDefault();
  });

  // On paper everything but digests and steps is shown.
  addEventListener("beforeprint", () =>
    document.querySelectorAll("details:not(.fold)").forEach((part) => { part.open = true; }));
})();
