//! Random numbers that are the same on every machine.
//!
//! A PCG generator (O'Neill 2014) for each stretch of a scene, seeded by mixing what names the
//! stretch through SplitMix64 (Steele, Lea and Flood 2014), so that pulses can be made in any order.
//! Normal numbers by the ziggurat of 256 layers (Marsaglia and Tsang 2000): the area under
//! exp(−x²/2), x ≥ 0, is cut into layers of equal area V = R·exp(−R²/2) + ∫_R^∞ exp(−x²/2)dx.

use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64;

/// Layers of the ziggurat.
const LAYERS: usize = 256;
/// Where the tail begins for 256 layers; r of Marsaglia and Tsang 2000, from memory;
/// with it the uppermost layer ends at the density's top.
const TAIL_FROM: f64 = 3.654_152_885_361_009;

/// Draws normal numbers, mean 0, standard deviation 1.
#[derive(Debug, Clone)]
pub struct Ziggurat {
    /// Right edges of the layers from the bottom up; the first is that of a rectangle with the
    /// bottom layer's area, the last is 0.
    edge: [f64; LAYERS + 1],
    /// exp(−x²/2) at the edges.
    height: [f64; LAYERS + 1],
}

impl Default for Ziggurat {
    fn default() -> Self {
        Self::new()
    }
}

impl Ziggurat {
    /// Makes the table.
    #[must_use]
    pub fn new() -> Self {
        let tail = libm::erfc(TAIL_FROM * std::f64::consts::FRAC_1_SQRT_2)
            * libm::sqrt(std::f64::consts::FRAC_PI_2);
        let area = TAIL_FROM * density(TAIL_FROM) + tail;
        let mut edge = [0.0; LAYERS + 1];
        edge[0] = area / density(TAIL_FROM);
        edge[1] = TAIL_FROM;
        for layer in 2..LAYERS {
            let below = edge[layer - 1];
            edge[layer] = libm::sqrt(-2.0 * libm::log(area / below + density(below)));
        }
        Self { edge, height: edge.map(density) }
    }

    /// The next normal number.
    #[inline]
    pub fn draw(&self, random: &mut Pcg64) -> f64 {
        loop {
            let bits = random.next_u64();
            let layer = usize::from(bits.to_le_bytes()[0]);
            let x = signed_share(bits) * self.edge[layer];
            if x.abs() < self.edge[layer + 1] {
                return x;
            }
            if let Some(x) = self.at_the_edge(layer, x, random) {
                return x;
            }
        }
    }

    /// The rare case: the tail, or the part of a layer that the density cuts.
    #[cold]
    fn at_the_edge(&self, layer: usize, x: f64, random: &mut Pcg64) -> Option<f64> {
        if layer > 0 {
            let (low, high) = (self.height[layer], self.height[layer + 1]);
            return (low + (high - low) * share(random) < density(x)).then_some(x);
        }
        loop {
            // Marsaglia 1964: exponential numbers, rejected to the normal tail.
            let beyond = -libm::log(1.0 - share(random)) / TAIL_FROM;
            let against = -libm::log(1.0 - share(random));
            if against + against > beyond * beyond {
                return Some((TAIL_FROM + beyond).copysign(x));
            }
        }
    }
}

fn density(x: f64) -> f64 {
    libm::exp(-0.5 * x * x)
}

/// The upper 53 bits as a number from −1 to below 1.
#[inline]
#[allow(clippy::cast_precision_loss, reason = "53 bits and a sign fit an f64 exactly")]
fn signed_share(bits: u64) -> f64 {
    const UNIT: f64 = 1.0 / (1_u64 << 52) as f64;
    (bits.cast_signed() >> 11) as f64 * UNIT
}

/// A uniform number from 0 to below 1.
#[allow(clippy::cast_precision_loss, reason = "53 bits fit an f64 exactly")]
pub fn share(random: &mut Pcg64) -> f64 {
    const UNIT: f64 = 1.0 / (1_u64 << 53) as f64;
    (random.next_u64() >> 11) as f64 * UNIT
}

/// The generator of what these numbers name, such as scene, pulse and channel.
#[must_use]
pub fn generator(names: [u64; 3]) -> Pcg64 {
    let mut state = names.into_iter().fold(0, |state, name| split_mix(state ^ name));
    let mut seed = [0; 32];
    for part in seed.chunks_exact_mut(8) {
        state = split_mix(state);
        part.copy_from_slice(&state.to_le_bytes());
    }
    Pcg64::from_seed(seed)
}

/// One step of SplitMix64: a bijection that leaves no bit unmixed.
const fn split_mix(state: u64) -> u64 {
    let mut z = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::as_f64;

    #[test]
    fn the_layers_close_at_the_density_s_top() {
        let ziggurat = Ziggurat::new();
        let area = ziggurat.edge[0] * ziggurat.height[1];
        // COMPUTED with SciPy: r*numpy.exp(-r*r/2) + numpy.sqrt(numpy.pi/2)*special.erfc(r/2**0.5)
        assert!((area - 0.004_928_673_233_974_658).abs() < 1e-16, "{area}");
        let top = area / ziggurat.edge[LAYERS - 1] + ziggurat.height[LAYERS - 1];
        assert!((top - 1.0).abs() < 1e-9, "{top}");
    }

    #[test]
    fn normal_numbers_have_the_moments_and_tails_of_the_normal_distribution() {
        let (ziggurat, mut random) = (Ziggurat::new(), generator([1, 2, 3]));
        let count = 4_000_000;
        let mut moments = [0.0; 4];
        // COMPUTED with SciPy: 2*scipy.stats.norm.sf([1, 2, 3, 3.6541528853610088])
        let tails = [(1.0, 0.317_310_5), (2.0, 0.045_500_3), (3.0, 2.699_8e-3)];
        let far = (TAIL_FROM, 2.580_3e-4);
        let mut beyond = [0.0; 4];
        for _ in 0..count {
            let x = ziggurat.draw(&mut random);
            let squared = x * x;
            let terms = [x, squared, squared * x, squared * squared];
            moments.iter_mut().zip(terms).for_each(|(sum, term)| *sum += term);
            for (count, (edge, _)) in beyond.iter_mut().zip(tails.into_iter().chain([far])) {
                *count += f64::from(u8::from(x.abs() > edge));
            }
        }
        let n = as_f64(count);
        // Bounds of four and a half standard errors; variances of the moments are 1, 2, 15 and 96.
        for (sum, (mean, variance)) in
            moments.into_iter().zip([(0.0, 1.0), (1.0, 2.0), (0.0, 15.0), (3.0, 96.0_f64)])
        {
            let error = (sum / n - mean).abs();
            assert!(error < 4.5 * (variance / n).sqrt(), "{} is not {mean}", sum / n);
        }
        for (count, (edge, chance)) in beyond.into_iter().zip(tails.into_iter().chain([far])) {
            let error = (count - n * chance).abs();
            assert!(error < 4.5 * (n * chance).sqrt(), "{count} beyond {edge}");
        }
    }

    #[test]
    fn neighbouring_numbers_are_uncorrelated_within_and_between_generators() {
        let ziggurat = Ziggurat::new();
        let (mut one, mut other) = (generator([7, 0, 0]), generator([7, 1, 0]));
        let (mut last, mut within, mut between) = (0.0, 0.0, 0.0);
        let count = 1_000_000;
        for _ in 0..count {
            let (x, y) = (ziggurat.draw(&mut one), ziggurat.draw(&mut other));
            within += x * last;
            between += x * y;
            last = x;
        }
        let bound = 4.5 * as_f64(count).sqrt();
        assert!(f64::abs(within) < bound && f64::abs(between) < bound, "{within} {between}");
    }

    #[test]
    fn split_mix_gives_the_published_sequence() {
        // Outputs for seed 1234567, from the Rosetta Code task "Pseudo-random numbers/Splitmix64";
        // from memory
        let seed = 1_234_567_u64;
        let outputs = [6_457_827_717_110_365_317, 3_203_168_211_198_807_973];
        for (step, output) in outputs.into_iter().enumerate() {
            let turns = u64::try_from(step).unwrap();
            let state = seed.wrapping_add(turns.wrapping_mul(0x9e37_79b9_7f4a_7c15));
            assert_eq!(split_mix(state), output);
        }
    }
}
