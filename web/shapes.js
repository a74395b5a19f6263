// The shape that stands beside every verdict, so that colour is never the only sign. Each is one path
// in a box of 24 by 24, filled by the even-odd rule, for SVG and canvas alike.

const ring = 'M12 2a10 10 0 1 0 0 20a10 10 0 1 0 0-20zM12 5.4a6.6 6.6 0 1 1 0 13.2a6.6 6.6 0 1 1 0-13.2z';
const comb = 'M2 22V12h4v10zM10 22V2h4v20zM18 22V8h4v14z';
const crossed =
  'M2 2h20v20H2zM5 7.1V19h11.9zM7.1 5H19v11.9z';
const dash = 'M3 10h18v4H3z';
const dots = 'M2 10h4v4H2zM10 10h4v4h-4zM18 10h4v4h-4z';
const diamond = 'M12 1L23 12L12 23L1 12zM12 8L8 12L12 16L16 12z';
const hourglass = 'M4 2h16v3l-6 7l6 7v3H4v-3l6-7L4 5z';

function burst() {
  const points = [];
  for (let corner = 0; corner < 20; corner += 1) {
    const radius = corner % 2 === 0 ? 11.6 : 6.2;
    const angle = (corner / 20) * 2 * Math.PI - Math.PI / 2;
    points.push(`${(12 + radius * Math.cos(angle)).toFixed(2)} ${(12 + radius * Math.sin(angle)).toFixed(2)}`);
  }
  return `M${points.join('L')}z`;
}

/** Path of each shape by what it stands for. */
export const SHAPES = Object.freeze({
  'NOT DETECTED': ring,
  STABLE: comb,
  INERTIAL: burst(),
  'NOT HEARING': crossed,
  'NO VERDICT': dash,
  WAITING: dots,
  STALE: hourglass,
  ESTABLISHED: diamond,
});

/** Path for a word of the daemon; a word that is not known gets the dash. */
export function shapeOf(word) {
  return Object.hasOwn(SHAPES, word) ? SHAPES[word] : SHAPES['NO VERDICT'];
}
