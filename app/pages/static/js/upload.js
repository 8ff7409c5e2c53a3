// Sends chosen photos at once, one after the other, with progress and retry; without this module the same
// forms are sent by their buttons. Each file keeps one key over all retries, so that none is stored twice.
// The phone's tilt is not sent along, as it is from the self-screen's own camera: a photo from the library was taken
// some other time, and while the camera's own program takes one this page is asleep.

const page = document.getElementById("uploads");
const status = document.getElementById("upload-status");
const maxBytes = Number(page.dataset.maxBytes);
const queue = [];
let sending = false;
let timer = 0;

function say(text) {
  status.textContent = text;
}

function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
}

function row(file, list) {
  const item = document.createElement("li");
  item.className = "photo-row";
  const picture = document.createElement("img");
  picture.alt = "";
  picture.width = 88;
  picture.height = 70;
  picture.src = URL.createObjectURL(file);
  picture.onerror = () => picture.replaceWith(Object.assign(document.createElement("div"), { className: "no-picture", textContent: "photo" }));
  const text = document.createElement("div");
  const words = document.createElement("p");
  const bar = document.createElement("progress");
  bar.max = 1;
  bar.value = 0;
  bar.setAttribute("aria-label", `Sending ${file.name}`);
  const again = Object.assign(document.createElement("button"), { type: "button", textContent: "Try again", hidden: true });
  const forget = Object.assign(document.createElement("button"), { type: "button", className: "quiet", textContent: "Leave it", hidden: true });
  const actions = document.createElement("p");
  actions.className = "actions";
  actions.append(again, forget);
  text.append(words, bar, actions);
  item.append(picture, text);
  list.append(item);
  return { item, words, bar, again, forget, picture };
}

function send(job) {
  const { file, form, shown } = job;
  const data = new FormData();
  for (const field of form.querySelectorAll("input[type=hidden]")) data.set(field.name, field.value);
  data.set("upload_key", job.key);
  data.set("photos", file, file.name || "photo");
  shown.again.hidden = shown.forget.hidden = true;
  shown.bar.hidden = false;
  shown.words.textContent = "Sending";
  const request = new XMLHttpRequest();
  request.open("POST", form.action);
  request.setRequestHeader("Accept", "application/json");
  request.timeout = 120000;
  request.upload.onprogress = (event) => {
    if (event.lengthComputable) shown.bar.value = event.loaded / event.total;
  };
  return new Promise((done) => {
    const failed = (why) => {
      shown.bar.hidden = true;
      shown.words.textContent = `Not sent yet: ${why}`;
      shown.again.hidden = shown.forget.hidden = false;
      say(`A photo was not sent: ${why}`);
      done(false);
    };
    request.onerror = () => failed("no connection. The photo is still here.");
    request.ontimeout = () => failed("the connection is too slow. The photo is still here.");
    request.onload = () => {
      let answer = {};
      try {
        answer = JSON.parse(request.responseText);
      } catch {
        // not ours: a proxy's page
      }
      if (request.status === 201) {
        URL.revokeObjectURL(shown.picture.src);
        shown.item.remove();
        say("Photo stored.");
        done(true);
      } else {
        const why = (answer.problems && answer.problems.join(" ")) || [answer.title, answer.detail].filter(Boolean).join(" ");
        failed(why || "the server did not take it.");
      }
    };
    request.send(data);
  });
}

async function work() {
  if (sending) return;
  sending = true;
  while (queue.length) {
    await send(queue.shift());
    await refresh();
  }
  sending = false;
}

function enqueue(job) {
  queue.push(job);
  work();
}

function choose(form, input) {
  const list = page.querySelector(`#rows-${form.elements.side.value}`);
  for (const file of input.files) {
    const shown = row(file, list);
    const job = { file, form, shown, key: newKey() };
    // both buttons go away when pressed: the focus goes to the field of their side, not nowhere
    const field = document.getElementById(`choose-${form.elements.side.value}`);
    shown.again.onclick = () => {
      field.focus();
      enqueue(job);
    };
    shown.forget.onclick = () => {
      field.focus();
      shown.item.remove();
    };
    if (file.size > maxBytes) {
      shown.bar.hidden = true;
      shown.words.textContent = `${file.name} is larger than ${Math.round(maxBytes / 1e6)} million bytes. Choose the photo as the camera made it.`;
      shown.forget.hidden = false;
    } else {
      shown.words.textContent = "Waiting to be sent";
      enqueue(job);
    }
  }
  input.value = "";
}

// lists of photos, while something is being measured

async function refresh() {
  clearTimeout(timer);
  try {
    const answer = await fetch(page.dataset.progress, { headers: { Accept: "text/html" } });
    if (!answer.ok) throw new Error(String(answer.status));
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("[data-open]");
    for (const list of fresh.querySelectorAll("ul")) merge(document.getElementById(list.id), list);
    const before = Number(page.dataset.open);
    const open = Number(fresh.dataset.open);
    page.dataset.open = String(open);
    if (open === 0 && before > 0) say("Every photo was looked at.");
    else if (open > 0) say(`${open} of ${fresh.dataset.count} photos are being measured.`);
  } catch {
    say("No connection; trying again.");
  }
  if (Number(page.dataset.open) > 0) timer = setTimeout(refresh, 1500);
}

// replaces only rows that changed, and none in which somebody is working
function merge(old, fresh) {
  const kept = new Set();
  for (const item of [...fresh.children]) {
    kept.add(item.id);
    const present = document.getElementById(item.id);
    if (!present) old.insertBefore(item, old.querySelector("li:not([id])"));
    else if (present.innerHTML !== item.innerHTML && !present.querySelector("details[open]")) {
      const held = present.contains(document.activeElement) ? document.activeElement.id : null;
      if (held !== null && !(held && item.querySelector(`#${held}`))) continue;
      present.replaceWith(item);
      if (held) document.getElementById(held).focus({ preventScroll: true }); // the field through which the photo came
    }
  }
  for (const item of [...old.querySelectorAll("li[id]")]) if (!kept.has(item.id)) item.remove();
}

// one listener for forms that are there now and those that come with refreshed rows
page.addEventListener("change", (event) => {
  const form = event.target.closest("form[data-upload]");
  if (form && event.target.type === "file") choose(form, event.target);
});
page.addEventListener("submit", (event) => {
  const question = event.target.dataset.ask;
  if (question && !confirm(question)) event.preventDefault();
});
document.body.classList.add("sends-by-itself");
for (const input of page.querySelectorAll("form[data-upload] input[type=file]")) {
  if (input.files.length) choose(input.form, input); // chosen while this script was still on its way
}
window.addEventListener("beforeunload", (event) => {
  if (sending || queue.length) event.preventDefault();
});
if (Number(page.dataset.open) > 0) refresh();
