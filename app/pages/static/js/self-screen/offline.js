// Keeps the page of the photos, so that it can be opened again where there is no network: a phone may close it at any
// time to make room. What it shows then is as old as the last answer of the server; photos lie in their own storage.

const CACHE = "kneelturn-self-screen";

// only the page of the link in use is kept; that of an earlier one goes
export async function keepPage() {
  if (!("serviceWorker" in navigator) || !("caches" in window)) return;
  try {
    await navigator.serviceWorker.register("/self-screen/worker.js", { scope: "/self-screen/" });
    const parts = performance.getEntriesByType("resource").map((entry) => new URL(entry.name));
    const own = parts.filter((url) => url.origin === location.origin && url.pathname.startsWith("/static/"));
    const fresh = await fetch(location.href);
    if (!fresh.ok || fresh.redirected) return;
    await caches.delete(CACHE);
    const cache = await caches.open(CACHE);
    await Promise.all([cache.put(location.href, fresh), ...own.map((url) => cache.add(url.href))]);
    await navigator.serviceWorker.ready;
    document.body.classList.add("opens-offline");
  } catch {
    // then the page needs the network to open, as without this file
  }
}

export async function keepState(answer) {
  try {
    if (await caches.has(CACHE)) await (await caches.open(CACHE)).put(answer.url, answer);
  } catch {
    // the state of the last time is shown
  }
}

export async function keptState(address, submission) {
  try {
    const kept = await (await caches.match(new URL(address, location.href).href))?.json();
    return kept?.submission === submission ? kept : undefined;
  } catch {
    return undefined;
  }
}

export async function forgetPage() {
  if ("caches" in window) await caches.delete(CACHE).catch(() => {});
}
