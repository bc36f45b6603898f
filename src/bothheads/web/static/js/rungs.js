// Moves the marks of a drawn ladder between two states; the server says where everything goes.
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const SLIDE = 420;
let running = 0;

export const places = (state, svg) => state?.drawings[svg.dataset.kind]?.rungs ?? {};

const mix = (a, b, t) => a.map((x, i) => x + (b[i] - x) * t);
const set = (el, values) => { for (const key in values) el.setAttribute(key, values[key]); };

function arrow(ghost, [y, x0, x1, thick], side) {     // as papers draws it: only where there is room
  const down = y > ghost[0] ? 1 : -1, begin = ghost[0] + down * ghost[4] / 2, end = y - down * thick / 2;
  const low = Math.max(ghost[1], x0), high = Math.min(ghost[3], x1);
  if ((end - begin) * down < 7 || high < low + 10) return "";
  return `M${side === "r" ? high - 5 : low + 5} ${begin}V${end}m-3 ${-4 * down}l3 ${4 * down}l3 ${-4 * down}`;
}

function moveRung(g, a, b, ghost, t, rails) {
  const [y, x0, xs, x1, thick, wy, wx, lx, ly, left, right] = mix(a.v, b.v, t);
  const q = css => g.querySelector(css);
  const split = g.classList.contains("unowned") ? x1 : xs;
  set(q(".bb"), { x: x0, y: y - thick / 2, width: Math.max(0, split - x0), height: thick });
  set(q(".br"), { x: split, y: y - thick / 2, width: Math.max(0, x1 - split), height: thick });
  if (q(".hit")) set(q(".hit"), { y: y - 10 });
  if (q(".tb")) { set(q(".tb"), { d: `M${rails[0]} ${left}L${x0} ${y}` }); set(q(".tr"), { d: `M${rails[1]} ${right}L${x1} ${y}` }); }
  const end = b.side === "r" ? x0 : x1, sign = b.side === "r" ? -1 : 1;
  set(q(".whisk"), { d: `M${end} ${y}h${sign * wx}M${end + sign * 4} ${y - wy}v${2 * wy}${wy > 2.6 ? `m-3 0h6m-6 ${-2 * wy}h6` : ""}` });
  const moved = ghost && Math.abs(ghost[0] - y) > 1.2;
  set(q(".ghost"), { d: moved ? `M${ghost[1]} ${ghost[0] - ghost[4] / 2}H${ghost[3]}v${ghost[4]}H${ghost[1]}z` : "" });
  set(q(".went"), { d: moved ? arrow(ghost, [y, x0, x1, thick], b.side) : "" });
  set(q(".lab"), { x: lx, y: ly, "text-anchor": b.anchor });
}

function rewriteRung(g, row) {
  g.querySelector(".hz").textContent = row.hz;
  const second = g.querySelector(".lab .t2");
  if (second) second.textContent = row.second;
  g.setAttribute("aria-label", row.aria);
}

function moveOwn(svg, side, a, b, t, x) {
  svg.querySelectorAll(`.own${side}`).forEach((g, i) => {
    g.toggleAttribute("hidden", !b[i]);
    g.setAttribute("visibility", b[i] ? "visible" : "hidden");
    if (!b[i]) return;
    const from = a[i] ?? b[i], y = from[1] + (b[i][1] - from[1]) * t, at = from[2] + (b[i][2] - from[2]) * t;
    const sign = side === "b" ? -1 : 1;
    set(g.querySelector("path"), { d: `M${x} ${y}h${sign * 12}L${x + sign * 20} ${at}` });
    set(g.querySelector("text"), { y: at + 4.5 });
    g.querySelector(".hz").textContent = b[i][0];
  });
}

function frame(svg, from, to, now, t) {
  const kind = svg.dataset.kind, a = from.drawings[kind], b = to.drawings[kind], here = now.drawings[kind];
  const rails = [".sb.rail", ".sr.rail"].map(css => +svg.querySelector(css).getAttribute("d").match(/M([\d.]+)/)[1]);
  for (const g of svg.querySelectorAll(".rung")) {
    const row = b.rungs[g.dataset.id];
    g.setAttribute("visibility", row ? "visible" : "hidden");
    if (!row) continue;
    const still = !to.eighths[0] && !to.eighths[1];
    moveRung(g, a.rungs[g.dataset.id] ?? row, row, still ? null : here.rungs[g.dataset.id]?.v, t, rails);
  }
  moveOwn(svg, "b", a.own.b, b.own.b, t, rails[0]);
  moveOwn(svg, "r", a.own.r, b.own.r, t, rails[1]);
}

export function slide(from, to, now) {
  cancelAnimationFrame(running);
  const drawings = [...document.querySelectorAll("svg.ladder")];
  for (const svg of drawings) for (const g of svg.querySelectorAll(".rung")) {
    const row = to.drawings[svg.dataset.kind].rungs[g.dataset.id];
    if (row) rewriteRung(g, row);
  }
  const begin = performance.now(), length = calm.matches ? 0 : SLIDE;
  const step = time => {
    const u = length ? Math.min(1, Math.max(0, (time - begin) / length)) : 1, t = 1 - (1 - u) ** 3;
    for (const svg of drawings) frame(svg, from, to, now, t);
    if (u < 1) running = requestAnimationFrame(step);
  };
  step(begin);
}

export function tellRung(state, id) {
  if (!id) return;
  let row;
  for (const svg of document.querySelectorAll("svg.ladder")) {
    for (const g of svg.querySelectorAll(".rung")) g.classList.toggle("on", g.dataset.id === id);
    row = row ?? places(state, svg)[id];
  }
  if (!row) return;
  const b = document.createElement("b");
  b.textContent = row.tell[0];
  document.getElementById("told").replaceChildren(b, " " + row.tell[1]);
}
