// Moves points on a photo by touch, mouse or keyboard; the numeric fields of the form always hold the same places,
// so that saving is an ordinary form and works without this module.

import { Loupe } from "./loupe.js";
import { Zoom } from "./zoom.js";

const editor = document.getElementById("editor");
const svg = editor.querySelector("svg");
const form = document.getElementById("points-form");
const said = document.getElementById("said");
const undoButton = document.getElementById("undo");
const redoButton = document.getElementById("redo");
const width = Number(editor.dataset.width);
const height = Number(editor.dataset.height);
const REACH = 30; // how far from a point a finger may come down, CSS pixels

const points = new Map();
for (const node of svg.querySelectorAll(".point")) {
  const name = node.dataset.name;
  const inputs = [form.elements[`x-${name}`], form.elements[`y-${name}`]];
  points.set(name, { name, node, inputs, words: node.dataset.words, mark: node.querySelector(".mark") });
}

const zoom = new Zoom(svg, () => {
  for (const p of points.values()) p.mark.setAttribute("transform", `scale(${zoom.pixel()})`);
});
const loupe = new Loupe(editor.querySelector(".stage"), svg.querySelector("image"));

const place = (p) => p.inputs.map((input) => Number(input.value.replace(",", ".")));
const automatic = (p) => p.inputs.map((input) => (input.dataset.automatic === "" ? null : Number(input.dataset.automatic)));
const clamp = (value, high) => Math.min(Math.max(value, 0), high);

function show(p) {
  const [x, y] = place(p);
  if (!Number.isFinite(x) || !Number.isFinite(y)) return;
  p.node.setAttribute("transform", `translate(${x} ${y})`);
  p.node.setAttribute("aria-valuenow", String(Math.round(x)));
  p.node.setAttribute("aria-valuetext", `${x.toFixed(0)} right, ${y.toFixed(0)} down`);
  drawBones();
}

function put(p, x, y) {
  p.inputs[0].value = clamp(x, width).toFixed(1);
  p.inputs[1].value = clamp(y, height).toFixed(1);
  show(p);
}

function drawBones() {
  const at = (name) => (points.has(name) ? place(points.get(name)) : null);
  const middle = (a, b) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  const shoulders = [at("acromion_left"), at("acromion_right")];
  const hips = [at("hip_joint_left"), at("hip_joint_right")];
  const ends = { shoulders, hips, trunk: [middle(...hips), middle(...shoulders)] };
  for (const path of svg.querySelectorAll("[data-bone]")) {
    const [a, b] = ends[path.dataset.bone];
    path.setAttribute("d", `M${a[0]} ${a[1]}L${b[0]} ${b[1]}`);
  }
}

// history of this sitting: one entry a drag, or a run of key presses on one point

const done = [];
const undone = [];

function remember(moves) {
  const changed = moves.filter((m) => m.from[0] !== m.to[0] || m.from[1] !== m.to[1]);
  if (!changed.length) return;
  const last = done.at(-1);
  const same = last && changed.length === 1 && last.moves.length === 1 && last.moves[0].p === changed[0].p;
  if (same && changed[0].byKey && last.moves[0].byKey && Date.now() - last.at < 1200) {
    last.moves[0].to = changed[0].to;
    last.at = Date.now();
  } else done.push({ moves: changed, at: Date.now() });
  undone.length = 0;
  changedPoints();
}

function step(from, to, which) {
  const entry = from.pop();
  if (!entry) return;
  for (const m of entry.moves) put(m.p, ...m[which]);
  entry.at = 0;
  to.push(entry);
  said.textContent = `${which === "from" ? "Undone" : "Done again"}: ${entry.moves.map((m) => m.p.words).join(", ")}`;
  changedPoints();
}
const undo = () => step(done, undone, "from");
const redo = () => step(undone, done, "to");

function changedPoints() {
  undoButton.disabled = !done.length;
  redoButton.disabled = !undone.length;
  tryLater();
}

// what the angle would be, without saving

const tryBox = document.getElementById("try-box");
let timer = 0;
let asked = 0;

function tryLater() {
  if (!editor.dataset.try) return; // measured blind: no value is shown while placing
  tryBox.hidden = false;
  document.getElementById("try-angle").textContent = "…";
  document.getElementById("try-band").textContent = "";
  asked++; // an answer still on its way is about other points
  clearTimeout(timer);
  timer = setTimeout(tryNow, 350);
}

async function tryNow() {
  const mine = ++asked;
  let angle = "–";
  let band = "could not be computed";
  try {
    const answer = await fetch(editor.dataset.try, { method: "POST", body: new FormData(form), headers: { Accept: "application/json" } });
    const body = await answer.json();
    if (answer.ok) [angle, band] = [body.angle, body.band];
    else band = [body.title, body.detail].filter(Boolean).join(" ");
  } catch {
    band = "no connection; saving will try again";
  }
  if (mine !== asked) return;
  document.getElementById("try-angle").textContent = angle;
  document.getElementById("try-band").textContent = band;
  said.textContent = `${angle}, ${band}`;
}

// touch and mouse

function nearest(event) {
  let best = null;
  for (const p of points.values()) {
    if (!editor.classList.contains("show-more") && p.node.classList.contains("more")) continue;
    const [sx, sy] = zoom.toScreen(...place(p));
    const distance = Math.hypot(sx - event.clientX, sy - event.clientY);
    if (distance < REACH && (!best || distance < best.distance)) best = { p, distance };
  }
  return best && best.p;
}

let held = null;

svg.addEventListener("pointerdown", (event) => {
  if (event.button > 0) return;
  const p = zoom.fingers() === 0 ? nearest(event) : null;
  if (!p) {
    cancel();
    zoom.down(event);
    return;
  }
  event.preventDefault();
  svg.setPointerCapture(event.pointerId);
  const start = zoom.toPhoto(event.clientX, event.clientY);
  const from = place(p);
  held = { p, id: event.pointerId, from, grip: [from[0] - start[0], from[1] - start[1]] };
  p.node.classList.add("held");
  p.node.focus({ preventScroll: true });
  loupe.show(from, zoom.toScreen(...from));
});
svg.addEventListener("pointermove", (event) => {
  if (!held || held.id !== event.pointerId) {
    zoom.move(event);
    return;
  }
  const [x, y] = zoom.toPhoto(event.clientX, event.clientY);
  put(held.p, x + held.grip[0], y + held.grip[1]);
  loupe.show(place(held.p), zoom.toScreen(...place(held.p)));
});
const release = (event) => {
  zoom.up(event);
  if (!held || held.id !== event.pointerId) return;
  const { p, from } = held;
  letGo();
  remember([{ p, from, to: place(p) }]);
};
svg.addEventListener("pointerup", release);
svg.addEventListener("pointercancel", (event) => {
  zoom.up(event);
  cancel();
});

function letGo() {
  held.p.node.classList.remove("held");
  held = null;
  loupe.hide();
}

function cancel() {
  if (!held) return;
  put(held.p, ...held.from);
  letGo();
}

// keyboard

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

editor.addEventListener("keydown", (event) => {
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
    event.preventDefault();
    if (event.shiftKey) redo();
    else undo();
    return;
  }
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "y") {
    event.preventDefault();
    redo();
    return;
  }
  if (event.key === "Escape") {
    cancel();
    return;
  }
  const node = event.target.closest(".point");
  const arrow = ARROWS[event.key];
  if (!node || !arrow || event.ctrlKey || event.metaKey || event.altKey) return;
  event.preventDefault();
  const p = points.get(node.dataset.name);
  const from = place(p);
  const by = event.shiftKey ? 10 : 1;
  put(p, from[0] + arrow[0] * by, from[1] + arrow[1] * by);
  zoom.reveal(...place(p));
  remember([{ p, from, to: place(p), byKey: true }]);
});

// numbers typed into the fields

form.addEventListener("change", (event) => {
  for (const p of points.values()) {
    if (!p.inputs.includes(event.target)) continue;
    const [ax, ay] = automatic(p);
    if (p.inputs[0].value.trim() === "" && ax !== null) p.inputs[0].value = ax;
    if (p.inputs[1].value.trim() === "" && ay !== null) p.inputs[1].value = ay;
    show(p);
    changedPoints();
  }
});

document.getElementById("checked")?.addEventListener("change", tryLater);

// buttons

undoButton.onclick = undo;
redoButton.onclick = redo;
document.getElementById("closer").onclick = () => zoom.by(1 / 1.5);
document.getElementById("farther").onclick = () => zoom.by(1.5);
document.getElementById("whole").onclick = () => zoom.set([0, 0, width, height]);
document.getElementById("reset").onclick = () => {
  const moves = [];
  for (const p of points.values()) {
    const to = automatic(p);
    if (to[0] === null || to[1] === null) continue;
    const from = place(p);
    put(p, ...to);
    moves.push({ p, from, to: place(p) });
  }
  remember(moves);
};
document.getElementById("more")?.addEventListener("change", (event) => {
  editor.classList.toggle("show-more", event.target.checked);
  setTabs();
});

function setTabs() {
  const more = editor.classList.contains("show-more");
  for (const p of points.values()) {
    const reachable = more || p.node.classList.contains("main");
    if (reachable) p.node.setAttribute("tabindex", "0");
    else p.node.removeAttribute("tabindex");
  }
}

for (const p of points.values()) {
  p.node.setAttribute("role", "slider");
  p.node.setAttribute("aria-label", p.words);
  p.node.setAttribute("aria-valuemin", "0");
  p.node.setAttribute("aria-valuemax", String(width));
  p.node.setAttribute("aria-describedby", "keys");
  show(p);
}
setTabs();
editor.classList.add("live");
document.getElementById("tools").hidden = false;
document.getElementById("keys").hidden = false;
zoom.refresh();
