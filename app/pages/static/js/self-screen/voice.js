// Speaks, and beeps where the phone has no voice. Both need a tap on the page first.

let sound = null;

export function unlock() {
  const Kind = window.AudioContext || window.webkitAudioContext;
  if (Kind && !sound) sound = new Kind();
  if (sound && sound.state === "suspended") sound.resume();
}

export function beep(high = false, seconds = 0.15) {
  if (!sound) return;
  const tone = sound.createOscillator();
  const loud = sound.createGain();
  tone.frequency.value = high ? 1320 : 880;
  loud.gain.setValueAtTime(0.25, sound.currentTime);
  loud.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + seconds);
  tone.connect(loud).connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + seconds);
}

export function hasVoice() {
  return "speechSynthesis" in window && speechSynthesis.getVoices().length > 0;
}

// resolves when it was said; never waits for a voice that does not come
export function speak(text) {
  if (!hasVoice()) {
    beep();
    return Promise.resolve();
  }
  return new Promise((done) => {
    const words = new SpeechSynthesisUtterance(text);
    words.lang = document.documentElement.lang;
    words.onend = words.onerror = () => done();
    setTimeout(done, 1500 + 90 * text.length);
    speechSynthesis.cancel();
    speechSynthesis.speak(words);
  });
}

export function hush() {
  if ("speechSynthesis" in window) speechSynthesis.cancel();
}
