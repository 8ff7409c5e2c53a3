// Looks again by itself while photos are being measured.

const note = document.getElementById("waiting");

async function look() {
  try {
    const answer = await fetch(note.dataset.waiting);
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("[data-open]");
    if (fresh && fresh.dataset.open === "0") {
      location.reload();
      return;
    }
  } catch {
    // no connection: try again
  }
  setTimeout(look, 1500);
}

setTimeout(look, 1500);
