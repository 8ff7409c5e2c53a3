// Tapping a place on the body sketch ticks its box in the list, and the list marks the sketch.
// Without this file the list alone does the same.
const sketch = document.querySelector("[data-sketch]");
const boxes = new Map([...document.querySelectorAll('input[name="site"]')].map((box) => [box.value, box]));

function show(key) {
  const box = boxes.get(key);
  const shape = sketch.querySelector(`[data-site="${key}"]`);
  if (box && shape) shape.setAttribute("fill", box.checked ? "url(#hatch)" : "#ffffff");
}

sketch.addEventListener("click", (event) => {
  const key = event.target.closest("[data-site]")?.dataset.site;
  if (!key) return;
  const box = boxes.get(key);
  box.checked = !box.checked;
  show(key);
});
for (const [key, box] of boxes) {
  box.addEventListener("change", () => show(key));
  show(key); // the browser may have kept ticks from before a reload
}
