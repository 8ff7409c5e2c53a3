// The live picture, and a burst of frames of which the sharpest is kept.

import { sharpness } from "./sharpness.js";

const FRAMES = 5;
const BETWEEN_MS = 120;

export class Camera {
  constructor(video) {
    this.video = video;
    this.stream = null;
  }

  static available() {
    return Boolean(navigator.mediaDevices && navigator.mediaDevices.getUserMedia);
  }

  // rejects if there is no camera or permission is refused
  async start(facing) {
    this.stop();
    this.stream = await navigator.mediaDevices.getUserMedia({
      audio: false,
      video: { facingMode: facing, width: { ideal: 1920 }, height: { ideal: 1440 } },
    });
    this.video.srcObject = this.stream;
    this.video.classList.toggle("mirrored", facing === "user");
    await this.video.play();
  }

  get on() {
    return Boolean(this.stream && this.stream.active);
  }

  stop() {
    if (this.stream) for (const track of this.stream.getTracks()) track.stop();
    this.stream = null;
    this.video.srcObject = null;
  }

  // a canvas with the sharpest frame, as the camera saw it, never mirrored
  async burst() {
    let best = null;
    let sharpest = -1;
    for (let i = 0; i < FRAMES; i++) {
      if (i) await new Promise((done) => setTimeout(done, BETWEEN_MS));
      const frame = document.createElement("canvas");
      frame.width = this.video.videoWidth;
      frame.height = this.video.videoHeight;
      frame.getContext("2d").drawImage(this.video, 0, 0);
      const value = sharpness(frame);
      if (value > sharpest) [best, sharpest] = [frame, value];
    }
    return best;
  }
}

export function toJpeg(canvas) {
  return new Promise((done, failed) => {
    canvas.toBlob((blob) => (blob ? done(blob) : failed(new Error("no picture"))), "image/jpeg", 0.94);
  });
}
