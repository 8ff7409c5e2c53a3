// Leads through the photos: says what to do, counts down, takes the photo, sends it, says whether it is good.
// Without this file the same page takes one photo after the other through its form.

import { Camera, toJpeg } from "./camera.js";
import { FacePatch } from "./face.js";
import { Level } from "./level.js";
import { forgetPage, keepPage, keepState, keptState } from "./offline.js";
import { Queue } from "./queue.js";
import { beep, hush, speak, unlock } from "./voice.js";

const page = document.getElementById("capture");
const base = page.dataset.base;
const part = (name) => page.querySelector(`[data-part="${name}"]`);
const button = (name) => page.querySelector(`[data-do="${name}"]`);
const chosen = (name) => page.querySelector(`input[name="${name}"]:checked`)?.value;
const PATIENCE_MS = 15000; // then the next photo is offered although the last was not looked at yet

let state = JSON.parse(page.dataset.state);
let current = null;
let counting = 0;
let lastPhotoAt = 0;
let lastStep = null;
let announced = "";
let polling = 0;
let finished = false;
let heardEver = false;
let cameraWorks = Camera.available();
let handsFree = false; // from the start of a countdown until somebody has to touch the phone again

const camera = new Camera(part("video"));
const patch = new FacePatch(part("blur-canvas"));
const level = new Level(showLevel);
const queue = new Queue(base, state.submission, onQueue);

document.body.classList.add("sends-by-itself");
part("buttons").hidden = part("settings").hidden = false;

function say(text, aloud = true) {
  part("say").textContent = part("stage-say").textContent = text;
  return aloud && chosen("aloud") ? speak(text) : Promise.resolve();
}

function showLevel(roll) {
  part("level").hidden = roll === null;
  if (roll === null) return;
  const off = Math.abs(roll);
  part("bubble").style.left = `${50 + Math.max(-45, Math.min(45, roll * 3))}%`;
  part("level-words").textContent = off < 2 ? "level" : `tilted by ${off.toFixed(0)}°`;
}

// ---- what is to be done now

// a step is busy while its photo is on this phone or being looked at
function stateOf(step) {
  if (queue.has(step.key)) return "kept";
  return step.state;
}

function nextStep() {
  const free = state.steps.filter((s) => ["open", "again"].includes(stateOf(s)));
  const waiting = state.steps.some((s) => ["kept", "looking"].includes(stateOf(s)));
  // feedback comes within seconds: wait for it, but never for long
  if (waiting && navigator.onLine && Date.now() - lastPhotoAt < PATIENCE_MS && lastStep) return null;
  return free[0] || null;
}

function draw() {
  const before = current;
  current = nextStep();
  const steps = state.steps;
  const done = steps.filter((s) => s.state === "done").length;
  const allDone = done === steps.length && queue.entries.length === 0;
  const waiting = steps.some((s) => ["kept", "looking"].includes(stateOf(s)));
  part("count").textContent = state.asked ? "Your practitioner asks for one more photo." : `${done} of ${steps.length} photos are done.`;
  part("heading").textContent = current
    ? current.heading
    : allDone ? "All photos are done" : waiting ? "Looking at your photo" : "Photos";
  part("task").hidden = allDone && !current;
  part("finish").hidden = !allDone;
  part("early").hidden = allDone || queue.entries.length > 0 || state.asked;
  for (const side of ["start", "left", "right"]) {
    page.querySelector(`[data-drawing="${side}"]`).hidden = !current || current.side !== side || camera.on;
  }
  if (current) {
    part("place").textContent = current.place;
    part("do").textContent = current.do;
    part("reason").hidden = !current.again;
    part("reason-words").textContent = current.again;
    const again = current.state === "again";
    part("remedy").hidden = !again;
    part("remedy-words").textContent = again ? current.remedy : "";
    part("why").textContent = again ? current.why : "";
    page.querySelector('[data-file-form] input[name="step"]').value = current.key;
    for (const frame of page.querySelectorAll("[data-framing]")) {
      frame.classList.toggle("shown", frame.dataset.framing === `${current.side} ${current.camera}`);
    }
  }
  const blurring = !part("blur").hidden;
  document.body.classList.toggle("at-work", camera.on && !blurring && (counting > 0 || handsFree));
  button("camera").hidden = !cameraWorks || camera.on || counting > 0 || blurring;
  button("count").hidden = !camera.on || counting > 0 || blurring || !current;
  button("cancel").hidden = !counting && !handsFree;
  part("camera").hidden = !camera.on || blurring;
  page.querySelector("[data-file-form]").hidden = counting > 0 || blurring || !current;
  for (const item of part("list").children) {
    const step = steps.find((s) => s.key === item.dataset.step);
    if (!step) continue;
    const now = stateOf(step);
    item.className = now;
    item.querySelector("[data-words]").textContent = now === "kept" ? "on this phone, not sent yet" : step.state_words;
  }
  drawQueue();
  if (current && (!before || before.key !== current.key || before.tries !== current.tries)) announce(before);
}

function drawQueue() {
  const count = queue.entries.length;
  part("queue").hidden = count === 0;
  if (!count) return;
  const kept = queue.safe ? ` ${count === 1 ? "It is" : "They are"} kept on this phone.` : "";
  part("queue-words").textContent = `${count} ${count === 1 ? "photo is" : "photos are"} not sent yet.${kept}`;
  part("queue-why").textContent = queue.words;
  button("retry").hidden = queue.closed;
}

// says what comes next; after a good photo of the same side it goes on by itself
async function announce(before) {
  const mark = `${current.key} ${current.tries}`;
  if (announced === mark || !lastStep) return;
  announced = mark;
  if (current.state === "again" && current.key === lastStep) {
    rest();
    say("", false); // the remedy itself stands on the page and is announced there
    if (chosen("aloud")) speak(current.remedy);
    return;
  }
  const sameSide = state.steps.find((s) => s.key === lastStep)?.side === current.side && current.camera === "side";
  const praise = state.steps.find((s) => s.key === lastStep)?.remedy ? "Kept." : "Good.";
  if (handsFree && sameSide && chosen("onward") && chosen("face") !== "blurred-on-phone") {
    await say(`${praise} Next: ${current.heading}. Come back to the middle, then turn again.`);
    if (handsFree && current && `${current.key} ${current.tries}` === mark && !counting) countDown();
  } else {
    rest();
    await say(`${praise} Next: ${current.heading}. ${current.place}`);
  }
}

function rest() {
  handsFree = false;
  draw();
}

// ---- the photo

async function startCamera() {
  unlock();
  await level.start();
  const facing = chosen("facing") || "user";
  level.facing = facing;
  try {
    await camera.start(facing);
  } catch {
    cameraWorks = false;
    say("The camera cannot be used: it was refused, or there is none. Choose a photo instead; it is measured the same way.", false);
  }
  draw();
}

async function countDown() {
  unlock();
  const total = Number(chosen("wait") || 15);
  const run = (counting = Date.now());
  handsFree = true;
  part("seconds").hidden = false;
  draw();
  part("stage-say").textContent = current.do;
  if (chosen("aloud")) speak(`${total} seconds. ${current.do}`);
  for (let left = total; left > 0; left--) {
    part("seconds").textContent = String(left);
    if (chosen("aloud") && left <= 5) left <= 3 ? (hush(), beep()) : beep();
    await new Promise((go) => setTimeout(go, 1000));
    if (counting !== run) return;
  }
  beep(true, 0.4);
  const step = current;
  const roll = level.reading();
  const frame = await camera.burst();
  counting = 0;
  part("seconds").hidden = true;
  await useFrame(frame, step, { source: "camera", roll, name: `${step.key}.jpg` });
}

function stopCounting() {
  counting = 0;
  handsFree = false;
  hush();
  part("seconds").hidden = true;
  draw();
}

async function useFrame(frame, step, about) {
  if (chosen("face") === "blurred-on-phone") {
    part("blur").hidden = false;
    draw();
    patch.show(frame, step.side);
    part("blur-canvas").focus();
    const keep = await new Promise((go) => {
      button("use-blurred").onclick = () => go(true);
      button("discard").onclick = () => go(false);
    });
    part("blur").hidden = true;
    if (!keep) return draw();
    frame = patch.result();
  }
  await store(await toJpeg(frame), step, { ...about, face: chosen("face") });
}

async function store(blob, step, about) {
  lastPhotoAt = Date.now();
  lastStep = step.key;
  const picture = part("still-picture");
  URL.revokeObjectURL(picture.src);
  picture.src = URL.createObjectURL(blob);
  part("still").hidden = false;
  say("Photo taken. Hold on, it is being looked at.", false);
  await queue.add({ blob, step: step.key, ...about });
  setTimeout(() => {
    // no word about the newest photo yet: the next one is started by hand
    if (handsFree && !counting && Date.now() - lastPhotoAt >= PATIENCE_MS) rest();
    else draw();
  }, PATIENCE_MS + 100);
  draw();
}

async function chooseFile(input) {
  const file = input.files[0];
  input.value = "";
  if (!file || !current) return;
  const step = current;
  const about = { source: "file", roll: null, name: file.name };
  if (chosen("face") !== "blurred-on-phone") return store(file, step, { ...about, face: chosen("face") || "shown" });
  let bitmap;
  try {
    bitmap = await createImageBitmap(file);
  } catch {
    say("This phone cannot show that photo, so no face can be covered on it. Choose another, or have it blurred on arrival.", false);
    return;
  }
  const canvas = document.createElement("canvas");
  canvas.width = bitmap.width;
  canvas.height = bitmap.height;
  canvas.getContext("2d").drawImage(bitmap, 0, 0);
  await useFrame(canvas, step, about);
}

// ---- what the server says

async function look() {
  clearTimeout(polling);
  let heard = false;
  try {
    const answer = await fetch(`${base}/state`, { headers: { Accept: "application/json" } });
    if (answer.status === 404) forgetPage(); // the link has ended
    if (answer.ok) {
      keepState(answer.clone());
      const fresh = await answer.json();
      const known = new Set(state.steps.map((s) => s.key));
      state = fresh;
      heard = true;
      if (fresh.steps.some((s) => !known.has(s.key))) addRows();
    }
  } catch {
    // no connection: asked again below; a page opened without one is older than the server's last answer
    if (!heardEver) state = (await keptState(`${base}/state`, state.submission)) ?? state;
  }
  heardEver ||= heard;
  draw();
  if (!heard || state.looking) {
    clearTimeout(polling);
    polling = setTimeout(look, heard ? 700 : 3000);
  } else if (!queue.entries.length && lastStep && state.steps.every((s) => s.state === "done")) {
    handsFree = false;
    draw();
    if (!finished) say("All photos are done. Come up slowly, then send them off.");
    finished = true;
  }
}

function addRows() {
  for (const step of state.steps) {
    if (part("list").querySelector(`[data-step="${step.key}"]`)) continue;
    const item = part("list").lastElementChild.cloneNode(true);
    item.dataset.step = step.key;
    item.querySelector(".side").className = `side ${step.side}`;
    item.querySelector(".side").textContent = step.heading;
    part("list").append(item);
  }
}

function onQueue(event) {
  if (queue.closed) forgetPage(); // the link has ended
  if (event?.outcome === "refused") say(`A photo could not be used: ${event.why}`, false);
  if (event) look();
  else draw();
}

button("camera").onclick = startCamera;
button("count").onclick = countDown;
button("cancel").onclick = stopCounting;
button("smaller").onclick = () => patch.scale(1 / 1.15);
button("larger").onclick = () => patch.scale(1.15);
button("retry").onclick = () => queue.now();
page.addEventListener("change", (event) => {
  if (event.target.type === "file") chooseFile(event.target);
  else if (event.target.name === "wait") part("wait").textContent = event.target.value;
  else if (event.target.name === "facing" && camera.on) startCamera();
});
for (const form of page.querySelectorAll("[data-finish]")) {
  form.addEventListener("submit", (event) => {
    if (!queue.entries.length) {
      forgetPage(); // nothing is left to be done without a network
      return;
    }
    event.preventDefault();
    say("Wait until all photos are sent.", false);
  });
}
window.addEventListener("beforeunload", (event) => {
  if (!queue.safe) event.preventDefault();
});

draw();
queue.load().then(() => {
  look(); // this page may be an old one, opened without a network
  chooseFile(page.querySelector("#photo")); // chosen while this script was still on its way
});
window.addEventListener("load", keepPage);
