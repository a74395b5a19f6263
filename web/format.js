// Numbers as the page writes them. An unknown number (null, not finite) is an en dash, never 0.

export const UNKNOWN = '–';

/** Whether the value is a number that can be shown. */
export function known(value) {
  return typeof value === 'number' && Number.isFinite(value);
}

function signed(text) {
  return text.startsWith('-') ? `−${text.slice(1)}` : `+${text}`;
}

/** A level over baseline, dB, with its sign: `+1.2`. */
export function levelDb(value) {
  if (!known(value)) return UNKNOWN;
  const text = value.toFixed(1);
  return text === '-0.0' ? '+0.0' : signed(text);
}

/** A level in dB with two decimals, where a tenth is too coarse: `+0.12`. */
export function fineDb(value) {
  if (!known(value)) return UNKNOWN;
  const text = value.toFixed(2);
  return text === '-0.00' ? '+0.00' : signed(text);
}

/** A span of device time, s: `12.3 s`, from two minutes on `2 min 05 s`. */
export function span(seconds) {
  if (!known(seconds)) return UNKNOWN;
  if (Math.abs(seconds) < 120) return `${seconds.toFixed(1).replace('-', '−')} s`;
  const whole = Math.floor(Math.abs(seconds));
  const hours = Math.floor(whole / 3600);
  const minutes = Math.floor((whole % 3600) / 60);
  const sign = seconds < 0 ? '−' : '';
  if (hours > 0) return `${sign}${hours} h ${String(minutes).padStart(2, '0')} min`;
  return `${sign}${minutes} min ${String(whole % 60).padStart(2, '0')} s`;
}

/** A drive in MPa: `0.160 MPa`; with only a setting, `setting 12`. */
export function driveText(megapascals, setting) {
  if (known(megapascals)) return `${megapascals.toFixed(3)} MPa`;
  return known(setting) ? `setting ${Number(setting.toPrecision(4))}` : UNKNOWN;
}

/** A dose or a power in three digits: `1.23e−9`, `0`. */
export function scientific(value) {
  if (!known(value)) return UNKNOWN;
  if (value === 0) return '0';
  return value.toExponential(2).replace('-', '−').replace('e+', 'e').replace('e-', 'e−');
}

/** A pressure or its square in three digits: `0.0213`, `20.4`, `10700`; very small and large ones as `1.23e5`. */
export function threeDigits(value) {
  if (!known(value)) return UNKNOWN;
  const size = Math.abs(value);
  if (size < 1e-3 || size >= 99950) return scientific(value);
  const text = value.toPrecision(3);
  return (text.includes('e') ? String(Number(text)) : text).replace('-', '−');
}

/** The same with its sign, for what may lie on either side of 0: `+20.4`, `−1.23e−9`, `0`. */
export function signedThreeDigits(value) {
  return known(value) && value > 0 ? `+${threeDigits(value)}` : threeDigits(value);
}

/** A frequency in MHz for an axis: `0.7`, `1.05`. */
export function megahertz(hertz) {
  return known(hertz) ? String(Number((hertz / 1e6).toPrecision(4))) : UNKNOWN;
}
