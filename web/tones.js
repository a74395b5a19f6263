// The page's three sounds as samples, so that what goes on does so without a timer (a page in the
// background is held to one timer a second or less). Pure.
//
// stop:    two pitches in turn, 880 and 660 Hz, four times a second, looped until acknowledged
// warning: two beeps of 520 Hz, once
// falling: one glide from 620 down to 210 Hz in 0.9 s, looped every 5 s

const PEAK = 0.5;
const EDGE_S = 0.008;

function envelope(timeS, lengthS) {
  return Math.min(1, timeS / EDGE_S, Math.max(0, (lengthS - timeS) / EDGE_S));
}

function addTone(samples, rateHz, startS, lengthS, pitchHz) {
  const first = Math.round(startS * rateHz);
  const count = Math.round(lengthS * rateHz);
  let phase = 0;
  for (let step = 0; step < count && first + step < samples.length; step += 1) {
    const timeS = step / rateHz;
    phase += (2 * Math.PI * pitchHz(timeS / lengthS)) / rateHz;
    const wave = Math.sin(phase) + 0.35 * Math.sin(3 * phase);
    samples[first + step] += PEAK * envelope(timeS, lengthS) * wave;
  }
}

/** Samples of a sound at `rateHz`; `kind` is `stop`, `warning` or `falling`. */
export function samplesOf(kind, rateHz) {
  const seconds = { stop: 1, warning: 0.6, falling: 5 }[kind];
  const samples = new Float32Array(Math.round(seconds * rateHz));
  if (kind === 'stop') {
    for (let beat = 0; beat < 4; beat += 1) addTone(samples, rateHz, beat * 0.25, 0.23, () => (beat % 2 === 0 ? 880 : 660));
  } else if (kind === 'warning') {
    addTone(samples, rateHz, 0, 0.18, () => 520);
    addTone(samples, rateHz, 0.32, 0.18, () => 520);
  } else {
    addTone(samples, rateHz, 0, 0.9, (share) => 620 - 410 * share);
  }
  return samples;
}

/** Whether the sound goes on until it is taken away. */
export function loops(kind) {
  return kind !== 'warning';
}
