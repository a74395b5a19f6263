//! m of n: at least m of the last n exposure pulses of the same target and drive pass.

use std::collections::VecDeque;

use super::spec::Rule;

/// The last pulses' margins over a limit, dB; a pulse without meaningful numbers takes a place and
/// does not pass.
#[derive(Debug, Clone)]
pub struct Window {
    rule: Rule,
    margins: VecDeque<Option<f64>>,
}

impl Window {
    /// Empty.
    #[must_use]
    pub fn new(rule: Rule) -> Self {
        Self { rule, margins: VecDeque::with_capacity(rule.of as usize) }
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.margins.clear();
    }

    /// Takes a pulse's margin, dB; above 0 it passes.
    ///
    /// Returns the margin by which the rule passes: the m-th largest in the window.
    pub fn take(&mut self, margin_db: Option<f64>) -> Option<f64> {
        if self.margins.len() == self.rule.of as usize {
            self.margins.pop_front();
        }
        self.margins.push_back(margin_db.filter(|margin| *margin > 0.0));
        let mut passing = [f64::NEG_INFINITY; 64];
        let mut count = 0;
        for margin in self.margins.iter().flatten() {
            passing[count] = *margin;
            count += 1;
        }
        let needed = self.rule.needed as usize;
        if count < needed {
            return None;
        }
        passing[..count].sort_by(|a, b| b.total_cmp(a));
        Some(passing[needed - 1])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_of_three_needs_two_and_forgets_the_fourth() {
        let mut window = Window::new(Rule { needed: 2, of: 3 });
        assert_eq!(window.take(Some(1.0)), None);
        assert_eq!(window.take(None), None);
        assert_eq!(window.take(Some(3.0)), Some(1.0));
        assert_eq!(window.take(Some(-1.0)), None);
        assert_eq!(window.take(Some(2.0)), Some(2.0));
        window.clear();
        assert_eq!(window.take(Some(5.0)), None);
    }

    #[test]
    fn a_margin_of_exactly_nothing_does_not_pass() {
        let mut window = Window::new(Rule { needed: 1, of: 1 });
        assert_eq!(window.take(Some(0.0)), None);
    }
}
