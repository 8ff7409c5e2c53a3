// How sharp a frame is: the variance of its Laplacian (Pech-Pacheco and others, "Diatom autofocusing in
// brightfield microscopy", ICPR 2000, citation from memory), on a small grey copy: five frames take a few milliseconds.

const SMALL = 320;

// pixels: RGBA bytes, row by row
export function varianceOfLaplacian(pixels, width, height) {
  const grey = new Float32Array(width * height);
  for (let i = 0; i < grey.length; i++) grey[i] = 0.299 * pixels[4 * i] + 0.587 * pixels[4 * i + 1] + 0.114 * pixels[4 * i + 2];
  let sum = 0;
  let squares = 0;
  let count = 0;
  for (let y = 1; y < height - 1; y++) {
    for (let x = 1; x < width - 1; x++) {
      const i = y * width + x;
      const value = grey[i - 1] + grey[i + 1] + grey[i - width] + grey[i + width] - 4 * grey[i];
      sum += value;
      squares += value * value;
      count++;
    }
  }
  const mean = sum / count;
  return squares / count - mean * mean;
}

export function sharpness(canvas) {
  const scale = Math.min(1, SMALL / Math.max(canvas.width, canvas.height));
  const small = document.createElement("canvas");
  small.width = Math.max(3, Math.round(canvas.width * scale));
  small.height = Math.max(3, Math.round(canvas.height * scale));
  const pen = small.getContext("2d", { willReadFrequently: true });
  pen.drawImage(canvas, 0, 0, small.width, small.height);
  return varianceOfLaplacian(pen.getImageData(0, 0, small.width, small.height).data, small.width, small.height);
}
