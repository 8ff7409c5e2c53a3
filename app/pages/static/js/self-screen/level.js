// The phone's level from its motion sensor.

// Roll of the camera about its optical axis, degrees, as vision/conventions.md has it (positive: in the photo the
// vertical leans to the left), or null when the phone lies flat and gravity says nothing about it.
//
// x, y, z: acceleration including gravity, device axes (x to the right of the screen in its natural orientation, y to
// its top, z out of it). screenAngle: screen.orientation.angle, degrees. facing: "user" or "environment".
// Some phones report the opposite sign; a phone whose picture is upright within 90 degrees settles which it is.
export function rollDegrees(x, y, z, screenAngle, facing) {
  const a = (screenAngle * Math.PI) / 180;
  let right = x * Math.cos(a) - y * Math.sin(a);
  let up = x * Math.sin(a) + y * Math.cos(a);
  const all = Math.hypot(x, y, z);
  if (!(all > 1) || Math.hypot(right, up) < 0.35 * all) return null;
  if (up < 0) {
    right = -right;
    up = -up;
  }
  if (facing === "user") right = -right; // the camera on the screen side looks the other way
  return (-Math.atan2(right, up) * 180) / Math.PI;
}

export class Level {
  constructor(show) {
    this.roll = null;
    this.at = 0;
    this.facing = "user";
    this.listen = (event) => {
      const g = event.accelerationIncludingGravity;
      if (!g || g.x === null) return;
      const roll = rollDegrees(g.x, g.y, g.z, screen.orientation ? screen.orientation.angle : 0, this.facing);
      // the sensor trembles: a slow mean is what the eye can follow
      this.roll = roll === null ? null : this.roll === null ? roll : this.roll + 0.2 * (roll - this.roll);
      this.at = Date.now();
      show(this.roll);
    };
  }

  // must be called from a tap: some phones ask for permission
  async start() {
    if (typeof DeviceMotionEvent === "undefined") return;
    if (typeof DeviceMotionEvent.requestPermission === "function") {
      try {
        if ((await DeviceMotionEvent.requestPermission()) !== "granted") return;
      } catch {
        return;
      }
    }
    window.addEventListener("devicemotion", this.listen);
  }

  // null when there is no fresh reading
  reading() {
    return this.roll !== null && Date.now() - this.at < 2000 ? this.roll : null;
  }
}
