// The colours of the stylesheet for the canvases, so that they are named once, in style.css.

const NAMES = ['ground', 'panel', 'raised', 'edge', 'ink', 'dim', 'quiet', 'stable', 'inertial', 'hatch', 'bar', 'trace', 'band', 'mean'];

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

/** Sizes a canvas to its box; true when that changed it. */
export function fitCanvas(canvas, ratio) {
  const width = Math.max(1, Math.round(canvas.clientWidth * ratio));
  const height = Math.max(1, Math.round(canvas.clientHeight * ratio));
  if (canvas.width === width && canvas.height === height) return false;
  canvas.width = width;
  canvas.height = height;
  return true;
}
