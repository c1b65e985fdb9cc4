// A curve from the lowest and highest of each column of pixels.

// Neighbouring columns are bars that touch one another, which costs a tenth of a stroke; columns that stand
// apart are joined by lines. No line is drawn over a gap, nor over more than `farthest` columns.
export function drawColumns(pen, { low, high, gap }, left, y, { colour, thick = 1.6, farthest = 60 }) {
  const half = thick / 2;
  let last = -1;
  let [before_top, before_bottom] = [0, 0];
  const far = new Path2D();
  let anyFar = false;
  pen.save();
  pen.fillStyle = colour;
  for (let x = 0; x < low.length; x += 1) {
    const alone = gap?.[x] || last < 0 || x - last > farthest;
    if (gap?.[x]) last = -1;
    if (Number.isNaN(low[x])) continue;
    const [own_top, own_bottom] = [y(high[x]), y(low[x])];
    let [top, bottom] = [own_top, own_bottom];
    if (!alone && x - last === 1) {
      // Half of the way to the column before is this one's, so that no step leaves a hole.
      if (before_bottom < top) top = before_bottom;
      else if (before_top > bottom) bottom = before_top;
    } else if (!alone) {
      far.moveTo(left + last + 0.5, (before_top + before_bottom) / 2);
      far.lineTo(left + x + 0.5, (top + bottom) / 2);
      anyFar = true;
    }
    pen.fillRect(left + x, top - half, 1, bottom - top + thick);
    last = x;
    [before_top, before_bottom] = [own_top, own_bottom];
  }
  if (anyFar) {
    pen.strokeStyle = colour;
    pen.lineWidth = thick;
    pen.stroke(far);
  }
  pen.restore();
}

// The same of samples that lie at equal distances over `columns`.
export function columnsOf(values, columns) {
  const [low, high] = [new Float64Array(columns).fill(NaN), new Float64Array(columns).fill(NaN)];
  const scale = columns / values.length;
  for (let n = 0; n < values.length; n += 1) {
    const at = Math.floor(n * scale);
    const value = values[n];
    if (!(low[at] <= value)) low[at] = value;
    if (!(high[at] >= value)) high[at] = value;
  }
  return { low, high };
}
