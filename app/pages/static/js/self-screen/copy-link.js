// Copies the link by one tap where the browser can.
const line = document.querySelector("[data-copy]");
const link = document.getElementById("link");
link.addEventListener("focus", () => link.select());
if (navigator.clipboard) {
  line.hidden = false;
  line.querySelector("button").addEventListener("click", async () => {
    await navigator.clipboard.writeText(link.value);
    line.querySelector("[role=status]").textContent = "Copied.";
  });
}
