// Everything that is to be drawn is drawn in one frame, and frames are rationed: however much arrives, and
// however slow the machine is, most of its time is left for whatever else runs on it.

const LEAST_MS = 33;
const MOST_MS = 400;
const SHARE = 4; // a frame that took 20 ms is followed by one 80 ms after its begin, at the earliest

const due = new Set();
let waiting = false;
let begun_ms = 0;
let wait_ms = LEAST_MS;

const painted = new MessageChannel();
painted.port1.onmessage = () => {
  const took_ms = performance.now() - begun_ms;
  const wanted_ms = Math.min(MOST_MS, Math.max(LEAST_MS, took_ms * SHARE));
  wait_ms += (wanted_ms - wait_ms) / 4; // one slow frame is no slow machine
};

function frame() {
  waiting = false;
  begun_ms = performance.now();
  const draws = [...due];
  due.clear();
  try {
    for (const draw of draws) draw();
  } finally {
    painted.port2.postMessage(0); // is taken once the frame has been painted
  }
}

function plan() {
  if (waiting) return;
  waiting = true;
  const rest_ms = begun_ms + wait_ms - performance.now();
  if (rest_ms > 4) setTimeout(() => requestAnimationFrame(frame), rest_ms - 4); // a frame comes at the next beat
  else requestAnimationFrame(frame);
}

// A page that nobody sees has no frames: nothing is drawn until it is looked at again.
export const gathered = (draw) => () => { due.add(draw); plan(); };

// For what comes rarely and is waited for: in the very next frame, and alone, so that it is a short one.
export const atOnce = (draw) => { requestAnimationFrame(draw); };

// Tells whoever measures that a drawing was made, and how new the newest thing in it is.
export const tellDrawn = (what, t_us) => document.dispatchEvent(new CustomEvent("drawn", { detail: { what, t_us } }));
