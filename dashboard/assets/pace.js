// Draws are gathered: however much arrives, a drawing is made at most ten times a second.

const BETWEEN_MS = 100;

export function gathered(draw) {
  let waiting = false;
  let last = 0;
  const run = () => requestAnimationFrame(() => {
    waiting = false;
    last = performance.now();
    draw();
  });
  return () => {
    if (waiting) return;
    waiting = true;
    const wait = last + BETWEEN_MS - performance.now();
    if (wait > 0) setTimeout(run, wait);
    else run();
  };
}
