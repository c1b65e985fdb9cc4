// What a page remembers of one series: its last readings one by one, the last half hour as lowest and highest of
// each half second, and the columns that are drawn now. All of them are bounded, oldest first out.

const READINGS = 16384;
const STRETCH_US = 500_000;
const STRETCHES = 3700;

// Lowest and highest of each stretch of `step_us`, on a grid that stays where it is while time goes on.
export class Stretches {
  constructor(step_us, size) {
    this.step_us = step_us;
    this.size = size;
    this.low = new Float64Array(size).fill(NaN);
    this.high = new Float64Array(size).fill(NaN);
    this.gap = new Uint8Array(size);
    this.newest = -Infinity;
    this.out = null; // handed out again at each cut: dozens a second would else be thrown away
  }

  push(t_us, value) {
    const number = Math.floor(t_us / this.step_us);
    if (number > this.newest) this.open(number);
    else if (number <= this.newest - this.size) return;
    const at = number % this.size;
    if (Number.isNaN(value)) this.gap[at] = 1;
    else {
      if (!(this.low[at] <= value)) this.low[at] = value;
      if (!(this.high[at] >= value)) this.high[at] = value;
    }
  }

  open(number) {
    const first = Math.max(this.newest + 1, number - this.size + 1);
    for (let n = first; n <= number; n += 1) {
      const at = n % this.size;
      this.low[at] = NaN;
      this.high[at] = NaN;
      this.gap[at] = 0;
    }
    this.newest = number;
  }

  // `count` of them from number `first` on, NaN where nothing was read; what is handed out holds until the next cut.
  cut(first, count) {
    if (this.out?.low.length !== count) this.out = { low: new Float64Array(count), high: new Float64Array(count), gap: new Uint8Array(count) };
    const { low, high, gap } = this.out;
    low.fill(NaN);
    high.fill(NaN);
    gap.fill(0);
    for (let n = Math.max(first, this.newest - this.size + 1); n < first + count && n <= this.newest; n += 1) {
      const at = n % this.size;
      low[n - first] = this.low[at];
      high[n - first] = this.high[at];
      gap[n - first] = this.gap[at];
    }
    return this.out;
  }
}

export class Ring {
  constructor(capacity = READINGS) {
    this.t_us = new Float64Array(capacity);
    this.value = new Float64Array(capacity);
    this.capacity = capacity;
    this.start = 0;
    this.length = 0;
    this.halfHour = new Stretches(STRETCH_US, STRETCHES);
    this.drawn = null;
  }

  push(t_us, value) {
    if (this.length && t_us < this.t_us[this.index(this.length - 1)]) return;
    const at = (this.start + this.length) % this.capacity;
    this.t_us[at] = t_us;
    this.value[at] = value ?? NaN;
    if (this.length < this.capacity) this.length += 1;
    else this.start = (this.start + 1) % this.capacity;
    this.halfHour.push(t_us, this.value[at]);
    this.drawn?.push(t_us, this.value[at]);
  }

  index(n) {
    return (this.start + n) % this.capacity;
  }

  last() {
    return this.length ? { t_us: this.t_us[this.index(this.length - 1)], value: this.value[this.index(this.length - 1)] } : null;
  }

  each(take) {
    for (let n = 0; n < this.length; n += 1) take(this.t_us[this.index(n)], this.value[this.index(n)]);
  }

  // Lowest and highest of `count` columns of `step_us` from column number `first` on.
  columns(step_us, first, count) {
    if (this.drawn?.step_us !== step_us || this.drawn.size < count) this.drawn = this.made(step_us, count);
    return this.drawn.cut(first, count);
  }

  // Kept up with from then on: only a change of the window or of its width costs a walk over all that is remembered.
  made(step_us, count) {
    const columns = new Stretches(step_us, count + 1);
    if (!this.length) return columns;
    const { halfHour } = this;
    const oldest_us = this.t_us[this.start];
    for (let n = halfHour.newest - halfHour.size + 1; n * STRETCH_US < oldest_us && n <= halfHour.newest; n += 1) {
      const at = n % halfHour.size;
      if (halfHour.gap[at]) columns.push(n * STRETCH_US, NaN);
      if (Number.isNaN(halfHour.low[at])) continue;
      columns.push((n + 0.5) * STRETCH_US, halfHour.low[at]);
      columns.push((n + 0.5) * STRETCH_US, halfHour.high[at]);
    }
    this.each((t_us, value) => columns.push(t_us, value));
    return columns;
  }
}
