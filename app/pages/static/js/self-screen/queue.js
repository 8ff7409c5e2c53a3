// Photos on this phone that are not known to be stored yet. They lie in the browser's database, so that a closed tab or
// a dead battery loses none, and are sent one by one, again and again, under the same key, until the server has them.

const NAME = "kneelturn-self-screen";
const STORE = "photos";
const SLOWEST_MS = 30000;
const STORING_MS = 3000; // a phone's storage may be slow or hang: sending does not wait for it longer than this
const NOT_KEPT = "This phone has not kept the photo: leave the page open until it is sent.";

function done(request) {
  return new Promise((ok, failed) => {
    request.onsuccess = () => ok(request.result);
    request.onerror = () => failed(request.error);
  });
}

async function open() {
  const request = indexedDB.open(NAME, 1);
  request.onupgradeneeded = () => request.result.createObjectStore(STORE, { keyPath: "key" });
  return done(request);
}

function within(ms, promise) {
  const late = new Promise((_, failed) => setTimeout(() => failed(new Error("storage is slow")), ms));
  return Promise.race([promise, late]);
}

export function newKey() {
  return Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, "0")).join("");
}

export class Queue {
  // base: address of the self-screen; submission: its id; told: called after every change
  constructor(base, submission, told) {
    this.base = base;
    this.submission = submission;
    this.told = told;
    this.entries = [];
    this.kept = new Set(); // keys of the photos that are known to lie in the phone's storage
    this.unkept = new Set(); // and of those that it did not take
    this.wait = 0;
    this.why = "";
    this.closed = false;
    this.timer = 0;
    this.busy = false;
    window.addEventListener("online", () => this.now());
    document.addEventListener("visibilitychange", () => {
      if (!document.hidden) this.now();
    });
  }

  async load() {
    try {
      this.database = await open();
      if (navigator.storage && navigator.storage.persist) navigator.storage.persist();
      const all = await done(this.database.transaction(STORE).objectStore(STORE).getAll());
      const before = all.filter((e) => e.submission === this.submission).sort((a, b) => a.at - b.at);
      for (const entry of before) this.kept.add(entry.key);
      // a photo may have been taken while the storage was opening: it stays, and is kept now
      const taken = this.entries.filter((e) => !this.kept.has(e.key));
      this.entries = [...before, ...taken];
      await Promise.all(taken.map((entry) => this.#keep(entry)));
    } catch {
      this.database = null; // private browsing on some phones: then the photos live as long as the tab
    }
    this.told();
    this.now();
  }

  async #write(change) {
    if (!this.database) throw new Error("no storage");
    const writing = this.database.transaction(STORE, "readwrite", { durability: "strict" });
    change(writing.objectStore(STORE));
    const written = new Promise((ok, failed) => {
      writing.oncomplete = ok;
      writing.onabort = writing.onerror = () => failed(writing.error);
    });
    await within(STORING_MS, written);
  }

  async #keep(entry) {
    try {
      await this.#write((store) => store.put(entry));
      this.kept.add(entry.key);
      this.unkept.delete(entry.key);
    } catch {
      this.unkept.add(entry.key); // sent all the same, from the page's memory
    }
  }

  // resolves when the photo is safe on this phone, or its storage has had its time
  async add(photo) {
    const entry = { ...photo, key: newKey(), submission: this.submission, at: Date.now() };
    this.entries.push(entry);
    await this.#keep(entry);
    this.told();
    this.now();
  }

  // whether a closed tab would lose nothing
  get safe() {
    return this.entries.every((e) => this.kept.has(e.key));
  }

  get words() {
    return this.entries.some((e) => this.unkept.has(e.key)) ? `${NOT_KEPT} ${this.why}`.trim() : this.why;
  }

  has(step) {
    return this.entries.some((e) => e.step === step);
  }

  async #forget(entry) {
    this.entries = this.entries.filter((e) => e !== entry);
    try {
      await this.#write((store) => store.delete(entry.key));
    } catch {
      // deleted later or never: sent once more after a reload, under the same key, it is stored only once
    }
  }

  now() {
    clearTimeout(this.timer);
    this.wait = 0;
    this.#work();
  }

  async #work() {
    if (this.busy || this.closed) return;
    this.busy = true;
    while (this.entries.length) {
      const outcome = await this.#send(this.entries[0]);
      if (outcome === "stored" || outcome === "refused") {
        this.wait = 0;
        const entry = this.entries[0];
        await this.#forget(entry);
        this.told({ entry, outcome, why: this.why });
      } else {
        this.told();
        break;
      }
    }
    this.busy = false;
    if (this.entries.length && !this.closed) {
      this.wait = Math.min(SLOWEST_MS, this.wait ? 2 * this.wait : 1000);
      this.timer = setTimeout(() => this.#work(), this.wait * (0.75 + 0.5 * Math.random()));
    }
  }

  async #send(entry) {
    const form = new FormData();
    form.set("step", entry.step);
    form.set("key", entry.key);
    form.set("source", entry.source);
    form.set("face", entry.face);
    if (entry.roll !== null) form.set("roll_deg", entry.roll.toFixed(2));
    form.set("photo", entry.blob, entry.name);
    let answer;
    try {
      answer = await fetch(`${this.base}/photos`, { method: "POST", body: form, headers: { Accept: "application/json" } });
    } catch {
      this.why = "There is no connection. It is tried again and again; you can go on.";
      return "later";
    }
    if (answer.status === 201) {
      this.why = "";
      return "stored";
    }
    const problem = await answer.json().catch(() => ({}));
    const words = [problem.title, problem.detail].filter(Boolean).join(" ");
    if (answer.status === 404 && problem.code === "link-closed") {
      this.closed = true;
      this.why = this.safe ? `${words} The photos stay on this phone.` : words;
      return "later";
    }
    if (answer.status === 413 || answer.status === 422) {
      this.why = words;
      return "refused";
    }
    this.why = "The server cannot take it now. It is tried again and again; you can go on.";
    return "later";
  }
}
