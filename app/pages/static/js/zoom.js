// Zoom and pan of an SVG by its viewBox: wheel, two fingers, buttons. Knows the way between screen and photo.

const CLOSEST = 40; // narrowest view, pixels of the photo

export class Zoom {
  constructor(svg, changed) {
    this.svg = svg;
    this.changed = changed;
    this.image = svg.querySelector("image");
    this.full = [Number(this.image.getAttribute("width")), Number(this.image.getAttribute("height"))];
    this.pointers = new Map();
    svg.addEventListener(
      "wheel",
      (event) => {
        if (!event.ctrlKey && !this.zoomed() && event.deltaY > 0) return; // let the page scroll on
        event.preventDefault();
        this.by(Math.exp(event.deltaY / 400), this.toPhoto(event.clientX, event.clientY));
      },
      { passive: false },
    );
    new ResizeObserver(() => changed()).observe(svg);
  }

  box() {
    const { x, y, width, height } = this.svg.viewBox.baseVal;
    return [x, y, width, height];
  }

  zoomed() {
    return this.box()[2] < this.full[0] * 0.98;
  }

  // pixels of the photo in one CSS pixel
  pixel() {
    const matrix = this.svg.getScreenCTM();
    return matrix ? 1 / matrix.a : 1;
  }

  toScreen(x, y) {
    const point = new DOMPoint(x, y).matrixTransform(this.svg.getScreenCTM());
    return [point.x, point.y];
  }

  toPhoto(clientX, clientY) {
    const point = new DOMPoint(clientX, clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return [point.x, point.y];
  }

  set([x, y, width, height]) {
    const w = Math.min(Math.max(width, CLOSEST), this.full[0]);
    const h = Math.min((w * height) / width, this.full[1]);
    const left = Math.min(Math.max(x, 0), this.full[0] - w);
    const top = Math.min(Math.max(y, 0), Math.max(this.full[1] - h, 0));
    this.svg.setAttribute("viewBox", `${left} ${top} ${w} ${h}`);
    this.refresh();
  }

  refresh() {
    this.svg.classList.toggle("zoomed", this.zoomed());
    this.changed();
  }

  by(factor, around) {
    const [x, y, width, height] = this.box();
    const [cx, cy] = around || [x + width / 2, y + height / 2];
    const f = Math.max(factor, CLOSEST / width);
    this.set([cx - (cx - x) * f, cy - (cy - y) * f, width * f, height * f]);
  }

  // scrolls just enough to keep a point in view
  reveal(px, py) {
    const [x, y, width, height] = this.box();
    const margin = width * 0.06;
    const dx = Math.min(px - margin - x, 0) + Math.max(px + margin - x - width, 0);
    const dy = Math.min(py - margin - y, 0) + Math.max(py + margin - y - height, 0);
    if (dx || dy) this.set([x + dx, y + dy, width, height]);
  }

  fingers() {
    return this.pointers.size;
  }

  down(event) {
    this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
    if (event.pointerType === "mouse") this.svg.setPointerCapture(event.pointerId);
  }

  move(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before) return;
    const now = [event.clientX, event.clientY];
    const others = [...this.pointers].filter(([id]) => id !== event.pointerId).map(([, at]) => at);
    const [x, y, width, height] = this.box();
    if (others.length) {
      const other = others[0];
      const reach = (a) => Math.max(Math.hypot(a[0] - other[0], a[1] - other[1]), 1);
      const middle = [(now[0] + other[0]) / 2, (now[1] + other[1]) / 2];
      this.by(reach(before) / reach(now), this.toPhoto(...middle));
    } else if (this.zoomed() && (event.pointerType === "mouse" || event.buttons)) {
      const p = this.pixel();
      this.set([x - (now[0] - before[0]) * p, y - (now[1] - before[1]) * p, width, height]);
    }
    this.pointers.set(event.pointerId, now);
  }

  up(event) {
    this.pointers.delete(event.pointerId);
  }
}
