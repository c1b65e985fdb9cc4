// One ring of readings per series: bounded, oldest first out.

const CAPACITY = 65536;

export class Ring {
  constructor(capacity = CAPACITY) {
    this.t_us = new Float64Array(capacity);
    this.value = new Float64Array(capacity);
    this.capacity = capacity;
    this.start = 0;
    this.length = 0;
  }

  push(t_us, value) {
    if (this.length && t_us < this.t_us[this.index(this.length - 1)]) return;
    const at = (this.start + this.length) % this.capacity;
    this.t_us[at] = t_us;
    this.value[at] = value ?? NaN;
    if (this.length < this.capacity) this.length += 1;
    else this.start = (this.start + 1) % this.capacity;
  }

  index(n) {
    return (this.start + n) % this.capacity;
  }

  last() {
    return this.length ? { t_us: this.t_us[this.index(this.length - 1)], value: this.value[this.index(this.length - 1)] } : null;
  }

  // Number of the first reading not older than t_us.
  from(t_us) {
    let low = 0;
    let high = this.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.t_us[this.index(middle)] < t_us) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  // Lowest and highest of each of `columns` equal stretches; NaN where nothing was read.
  columns(t0_us, t1_us, columns) {
    const low = new Float64Array(columns).fill(NaN);
    const high = new Float64Array(columns).fill(NaN);
    const gap = new Uint8Array(columns);
    const scale = columns / (t1_us - t0_us);
    for (let n = this.from(t0_us); n < this.length; n += 1) {
      const at = this.index(n);
      if (this.t_us[at] > t1_us) break;
      const column = Math.min(columns - 1, Math.floor((this.t_us[at] - t0_us) * scale));
      const value = this.value[at];
      if (Number.isNaN(value)) gap[column] = 1;
      else {
        if (!(low[column] <= value)) low[column] = value;
        if (!(high[column] >= value)) high[column] = value;
      }
    }
    return { low, high, gap };
  }
}
