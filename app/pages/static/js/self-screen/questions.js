// One tap answers "no" to all questions of a group; each answer stays visible and can be changed.

for (const line of document.querySelectorAll("[data-all-no]")) {
  line.hidden = false;
  line.querySelector("button").addEventListener("click", () => {
    const group = line.closest(".group");
    for (const no of group.querySelectorAll('input[value="no"]')) {
      const answered = [...group.querySelectorAll(`input[name="${no.name}"]`)].some((i) => i.checked);
      if (!answered) no.checked = true;
    }
    const next = group.nextElementSibling;
    if (next) next.querySelector("input, textarea, button").focus();
  });
}
const form = document.querySelector("[data-questions]");
form.addEventListener("submit", (event) => {
  const names = new Set([...form.querySelectorAll('input[type="radio"]')].map((i) => i.name));
  let first = null;
  for (const name of names) {
    const input = form.elements[name][0] || form.elements[name];
    const box = input.closest("fieldset");
    const open = !form.querySelector(`input[name="${name}"]:checked`);
    box.classList.toggle("unanswered", open);
    if (open && !first) first = input;
  }
  if (first) {
    event.preventDefault();
    first.closest("fieldset").scrollIntoView({ block: "center" });
    first.focus({ preventScroll: true });
  }
});
if (document.querySelector('[role="alert"]'))
  for (const box of form.querySelectorAll("fieldset")) box.classList.toggle("unanswered", !box.querySelector("input:checked"));
