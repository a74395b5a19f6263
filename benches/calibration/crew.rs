//! Trials on several threads, each with random numbers of its own.
//!
//! A trial's generator is made of the run's seed, the row's name and the trial's number, and its
//! result goes to the trial's own place: the numbers are the same for any number of threads.

use std::sync::atomic::{AtomicUsize, Ordering};

use rand_pcg::Pcg64;
use simmer::bench::noise::{Ziggurat, generator};

/// Who works, and from which seed.
#[derive(Debug, Clone)]
pub(crate) struct Crew {
    pub(crate) seed: u64,
    pub(crate) threads: usize,
    normal: Ziggurat,
}

/// Where the random numbers of one trial come from.
#[derive(Debug, Clone)]
pub(crate) struct Dice<'a> {
    pub(crate) random: Pcg64,
    normal: &'a Ziggurat,
}

impl Dice<'_> {
    /// A normal number, mean 0, standard deviation 1.
    #[inline]
    pub(crate) fn normal(&mut self) -> f64 {
        self.normal.draw(&mut self.random)
    }

    /// A uniform number from 0 to below 1.
    pub(crate) fn share(&mut self) -> f64 {
        simmer::bench::noise::share(&mut self.random)
    }
}

impl Crew {
    pub(crate) fn new(seed: u64, threads: usize) -> Self {
        Self { seed, threads: threads.max(1), normal: Ziggurat::new() }
    }

    /// The random numbers of one trial of the series called `name`.
    pub(crate) fn dice(&self, name: &str, trial: usize) -> Dice<'_> {
        let trial = u64::try_from(trial).unwrap_or(u64::MAX);
        Dice { random: generator([self.seed, fnv(name), trial]), normal: &self.normal }
    }

    /// Runs `trials` of the series called `name`; `scratch` makes what a thread reuses and `trial`
    /// must not read from it what another trial left.
    pub(crate) fn run<S, T: Send>(
        &self,
        name: &str,
        trials: usize,
        scratch: impl Fn() -> S + Sync,
        trial: impl Fn(&mut S, Dice<'_>, usize) -> T + Sync,
    ) -> Vec<T> {
        let next = AtomicUsize::new(0);
        let work = || {
            let mut own = scratch();
            let mut done = Vec::new();
            loop {
                let number = next.fetch_add(1, Ordering::Relaxed);
                if number >= trials {
                    return done;
                }
                done.push((number, trial(&mut own, self.dice(name, number), number)));
            }
        };
        let mut all: Vec<(usize, T)> = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..self.threads).map(|_| scope.spawn(work)).collect();
            let joined = threads.into_iter().map(|thread| thread.join());
            joined.flat_map(|done| done.expect("a trial panicked")).collect()
        });
        all.sort_by_key(|(number, _)| *number);
        all.into_iter().map(|(_, result)| result).collect()
    }
}

/// FNV-1a, 64 bits (Fowler, Noll, Vo).
fn fnv(name: &str) -> u64 {
    name.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}
