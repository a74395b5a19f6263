// Where things stand in the pulse list, in CSS px. Pure.

/** Range of the bars, dB over baseline. */
export const AXIS_DB = [-3, 15];

const ROW_HEIGHTS = [22, 18, 14, 10, 8, 6, 5, 4, 3, 2, 1];

/** Rows at least this high, px, carry text. */
export const TEXT_FROM_PX = 14;

/** The columns for a list of `width` px with `channels` channels: `{name: {left, width}}`. */
export function columnsFor(width, channels) {
  const lanes = channels > 1 ? Math.min(64, 8 * channels) + 6 : 0;
  const bar = Math.max(40, Math.min(104, Math.floor(width * 0.108)));
  const fixed = { time: 56, drive: 54, harmonic: bar, ultraharmonic: bar, subharmonic: bar, broadband: bar, lanes, verdict: 116 };
  const taken = Object.values(fixed).reduce((sum, part) => sum + part, 0);
  const parts = [['time', fixed.time], ['drive', fixed.drive], ['spectrum', Math.max(20, width - taken)],
    ['harmonic', bar], ['ultraharmonic', bar], ['subharmonic', bar], ['broadband', bar], ['lanes', lanes], ['verdict', fixed.verdict]];
  const columns = {};
  let left = 0;
  for (const [name, share] of parts) {
    columns[name] = { left, width: Math.max(0, share - 6) };
    left += share;
  }
  return columns;
}

/** Height of a row, px: the largest at which `count` rows fit into `room`, at least 1. */
export function rowHeight(count, room) {
  return ROW_HEIGHTS.find((height) => height * count <= room) ?? 1;
}

/** The next row height up (`step` −1) or down (+1) from `height`. */
export function neighbourHeight(height, step) {
  const place = ROW_HEIGHTS.indexOf(height);
  return ROW_HEIGHTS[Math.max(0, Math.min(ROW_HEIGHTS.length - 1, place + step))];
}

/** Share of the bar axis (0 to 1) at `db`. */
export function axisShare(db) {
  return Math.max(0, Math.min(1, (db - AXIS_DB[0]) / (AXIS_DB[1] - AXIS_DB[0])));
}

/** The largest value of each of `columns` pixels of `codes`, into `out`. */
export function poolCodes(codes, out) {
  const columns = out.length;
  for (let column = 0; column < columns; column += 1) {
    const from = Math.floor((column * codes.length) / columns);
    const to = Math.max(from + 1, Math.floor(((column + 1) * codes.length) / columns));
    let largest = 0;
    for (let place = from; place < to; place += 1) if (codes[place] > largest) largest = codes[place];
    out[column] = largest;
  }
  return out;
}
