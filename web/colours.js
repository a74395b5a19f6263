// The colours of the stylesheet for the canvases, so that they are named once, in style.css.

const NAMES = ['ground', 'panel', 'raised', 'edge', 'ink', 'dim', 'quiet', 'stable', 'inertial', 'hatch', 'bar', 'trace', 'band', 'mean', 'lasting'];

/** `{ground: '#…', …}` as computed for the page. */
export function coloursOf(element) {
  const style = getComputedStyle(element);
  return Object.fromEntries(NAMES.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}

/** Red, green, blue of `#rrggbb`. */
export function rgbOf(hex) {
  return [1, 3, 5].map((place) => Number.parseInt(hex.slice(place, place + 2), 16));
}

/** A tile of slanted strokes, the sign for what could not have been heard. `size` in canvas pixels. */
export function hatchTile(colour, size) {
  const tile = document.createElement('canvas');
  tile.width = size;
  tile.height = size;
  const context = tile.getContext('2d');
  context.strokeStyle = colour;
  context.lineWidth = Math.max(1, size / 4);
  context.beginPath();
  for (const shift of [-size, 0, size]) {
    context.moveTo(shift - 1, size + 1);
    context.lineTo(shift + size + 1, -1);
  }
  context.stroke();
  return tile;
}

/** A tile with one dot, the sign for what was heard only together with the earlier pulses. */
export function dotTile(colour, size) {
  const tile = document.createElement('canvas');
  tile.width = size;
  tile.height = size;
  const context = tile.getContext('2d');
  context.fillStyle = colour;
  context.fillRect(0, 0, Math.max(1, size / 4), Math.max(1, size / 4));
  context.fillRect(Math.floor(size / 2), Math.floor(size / 2), Math.max(1, size / 4), Math.max(1, size / 4));
  return tile;
}

/** A tile of a string of diamonds on `ground`, the sign for what is established; it goes on over low rows. */
export function beadTile(colour, ground, width, period) {
  const tile = document.createElement('canvas');
  tile.width = width;
  tile.height = period;
  const context = tile.getContext('2d');
  context.fillStyle = ground;
  context.fillRect(0, 0, width, period);
  context.fillStyle = colour;
  const middle = width / 2;
  const half = middle - 0.5;
  context.beginPath();
  context.moveTo(middle, 0);
  context.lineTo(middle + half, half);
  context.lineTo(middle, 2 * half);
  context.lineTo(middle - half, half);
  context.fill();
  const line = Math.max(1, Math.round(width / 8));
  context.fillRect(Math.round(middle - line / 2), 0, line, period);
  return tile;
}

/** Sizes a canvas to its box; true when that changed it. */
export function fitCanvas(canvas, ratio) {
  const width = Math.max(1, Math.round(canvas.clientWidth * ratio));
  const height = Math.max(1, Math.round(canvas.clientHeight * ratio));
  if (canvas.width === width && canvas.height === height) return false;
  canvas.width = width;
  canvas.height = height;
  return true;
}
