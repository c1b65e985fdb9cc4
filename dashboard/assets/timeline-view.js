// The stretch of time that is looked at, in microseconds: pure.

export const NARROWEST_US = 200;
const round = (view) => ({ t0: view.t0, t1: view.t1 });

// Never outside the session, never narrower than a few readings can be.
export function held({ t0, t1 }, whole) {
  const room = whole.t1 - whole.t0;
  const span = Math.min(Math.max(t1 - t0, NARROWEST_US), room);
  const start = Math.min(Math.max(t0, whole.t0), whole.t1 - span);
  return round({ t0: start, t1: start + span });
}

export function zoomed(view, factor, at = (view.t0 + view.t1) / 2) {
  return { t0: at - (at - view.t0) * factor, t1: at + (view.t1 - at) * factor };
}

export const moved = (view, share) => {
  const by = (view.t1 - view.t0) * share;
  return { t0: view.t0 + by, t1: view.t1 + by };
};

// A stretch with room around it, so that what comes before and after is seen too.
export function around(t0, t1) {
  const room = Math.max((t1 - t0) * 0.6, 500_000);
  return { t0: t0 - room, t1: t1 + room };
}

export const isWhole = (view, whole) => view.t0 <= whole.t0 && view.t1 >= whole.t1;

// How long a stay lasted: "18.2 s", "1 min 44 s", "2 h 05 min".
export function lastedWords(us) {
  const seconds = us / 1e6;
  if (seconds < 60) return `${seconds.toFixed(1)} s`;
  const whole = Math.round(seconds);
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${String(whole % 60).padStart(2, "0")} s`;
  return `${Math.floor(whole / 3600)} h ${String(Math.floor((whole % 3600) / 60)).padStart(2, "0")} min`;
}

// The length of what is looked at: "3.0 days", "1 min 33 s", "850 ms".
export function lengthWords(us) {
  if (us >= 2 * 86_400e6) return `${(us / 86_400e6).toFixed(1)} days`;
  if (us >= 1e6) return lastedWords(us);
  const [unit, name] = us >= 1e3 ? [1e3, "ms"] : [1, "\u00b5s"];
  return `${Number((us / unit).toPrecision(3))} ${name}`;
}
