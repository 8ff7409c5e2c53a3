// An enlarged view of what is under the finger, shown above it.

const RADIUS_PX = 22; // pixels of the photo on each side of the point
const SVG = "http://www.w3.org/2000/svg";

function make(name, attributes) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  return node;
}

export class Loupe {
  constructor(stage, image) {
    this.stage = stage;
    this.node = Object.assign(document.createElement("div"), { className: "loupe", hidden: true });
    this.node.setAttribute("aria-hidden", "true");
    this.svg = make("svg", {});
    this.svg.append(image.cloneNode());
    this.cross = ["cross", "cross-ink"].map((name) => make("path", { class: name, fill: "none" }));
    this.svg.append(...this.cross);
    this.node.append(this.svg);
    stage.append(this.node);
  }

  show([x, y], [screenX, screenY]) {
    this.node.hidden = false;
    const r = RADIUS_PX;
    this.svg.setAttribute("viewBox", `${x - r} ${y - r} ${2 * r} ${2 * r}`);
    const d = `M${x - r} ${y}H${x - 3}M${x + 3} ${y}H${x + r}M${x} ${y - r}V${y - 3}M${x} ${y + 3}V${y + r}`;
    for (const path of this.cross) path.setAttribute("d", d);
    const stage = this.stage.getBoundingClientRect();
    const size = this.node.offsetWidth;
    const x0 = screenX - stage.left;
    const above = screenY - stage.top - size - 28;
    // no room above the finger: into the upper corner away from it, never under the hand
    const corner = x0 < stage.width / 2 ? stage.width - size - 6 : 6;
    const left = above > 4 ? Math.min(Math.max(x0 - size / 2, 4), stage.width - size - 4) : corner;
    this.node.style.left = `${left}px`;
    this.node.style.top = `${above > 4 ? above : 6}px`;
  }

  hide() {
    this.node.hidden = true;
  }
}
