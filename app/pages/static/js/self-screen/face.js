// Lets the athlete place a patch over the face, by finger, mouse or keys, and takes what is under it out of the picture.

const BLOCKS = 5; // colours across the patch: nothing sharper is left under it

export class FacePatch {
  constructor(canvas) {
    this.canvas = canvas;
    this.picture = null;
    this.place = null; // x, y, radius as shares of the picture's width, kept from photo to photo
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      this.#moveTo(event);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (event.buttons) this.#moveTo(event);
    });
    canvas.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 0.05 : 0.01;
      const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
      if (moves[event.key]) this.#shift(...moves[event.key]);
      else if (event.key === "+") this.scale(1.1);
      else if (event.key === "-") this.scale(1 / 1.1);
      else return;
      event.preventDefault();
    });
  }

  show(picture, side) {
    this.picture = picture;
    this.canvas.width = picture.width;
    this.canvas.height = picture.height;
    // the head is at the left of a photo from the person's left, at the right of one from their right
    const x = side === "right" ? 0.82 : 0.18;
    if (!this.place || this.place.side !== side) this.place = { side, x, y: 0.45, radius: 0.11 };
    this.draw();
  }

  scale(factor) {
    this.place.radius = Math.min(0.5, Math.max(0.03, this.place.radius * factor));
    this.draw();
  }

  #shift(dx, dy) {
    this.place.x += dx;
    this.place.y += dy;
    this.draw();
  }

  #moveTo(event) {
    const box = this.canvas.getBoundingClientRect();
    this.place.x = (event.clientX - box.left) / box.width;
    this.place.y = ((event.clientY - box.top) / box.height) * (this.canvas.height / this.canvas.width);
    this.draw();
  }

  #circle() {
    const w = this.canvas.width;
    return { x: this.place.x * w, y: this.place.y * w, r: this.place.radius * w };
  }

  #cover(pen) {
    const { x, y, r } = this.#circle();
    const few = document.createElement("canvas");
    few.width = few.height = BLOCKS;
    const small = few.getContext("2d");
    small.imageSmoothingQuality = "high";
    small.drawImage(this.picture, x - r, y - r, 2 * r, 2 * r, 0, 0, BLOCKS, BLOCKS);
    pen.save();
    pen.beginPath();
    pen.arc(x, y, r, 0, 2 * Math.PI);
    pen.clip();
    pen.fillStyle = "#888"; // where the patch reaches beyond the picture
    pen.fillRect(x - r, y - r, 2 * r, 2 * r);
    pen.imageSmoothingEnabled = true;
    pen.drawImage(few, x - r, y - r, 2 * r, 2 * r);
    pen.restore();
  }

  draw() {
    const pen = this.canvas.getContext("2d");
    pen.drawImage(this.picture, 0, 0);
    this.#cover(pen);
    const { x, y, r } = this.#circle();
    for (const [colour, width] of [["#fff", 6], ["#14212e", 3]]) {
      pen.beginPath();
      pen.arc(x, y, r, 0, 2 * Math.PI);
      pen.lineWidth = (width * this.canvas.width) / 800;
      pen.strokeStyle = colour;
      pen.stroke();
    }
  }

  // the picture with the patch, without its rim
  result() {
    const covered = document.createElement("canvas");
    covered.width = this.picture.width;
    covered.height = this.picture.height;
    const pen = covered.getContext("2d");
    pen.drawImage(this.picture, 0, 0);
    this.#cover(pen);
    return covered;
  }
}
