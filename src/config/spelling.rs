//! Which known name was probably meant.
//!
//! Optimal string alignment distance (insertions, deletions, substitutions and swaps of neighbours
//! each cost one; Damerau 1964 lists these four as the usual slips). A name is near when at most a
//! third of the longer one would have to change, or when only its unit is missing.

/// Names longer than this are not compared; no key is half as long.
const LONGEST: usize = 64;

/// The name of `known` that `written` was probably meant to be; ties go to the first.
pub(super) fn nearest<'k>(
    written: &str,
    known: impl IntoIterator<Item = &'k str>,
) -> Option<&'k str> {
    if written.len() > LONGEST {
        return None;
    }
    let written = written.to_lowercase().replace('-', "_");
    let mut best: Option<(usize, &str)> = None;
    for name in known {
        let plain = name.replace('-', "_");
        let longer = written.chars().count().max(plain.chars().count());
        let cost = if written.is_empty() {
            continue;
        } else if plain.strip_prefix(&written).is_some_and(|rest| rest.starts_with('_')) {
            1
        } else {
            distance(&written, &plain)
        };
        if cost <= (longer / 3).max(1)
            && cost < longer
            && best.is_none_or(|(least, _)| cost < least)
        {
            best = Some((cost, name));
        }
    }
    best.map(|(_, name)| name)
}

/// Optimal string alignment distance in characters.
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut before = vec![0; b.len() + 1];
    let mut above: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let substituted = above[j - 1] + usize::from(a[i - 1] != b[j - 1]);
            row[j] = substituted.min(above[j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        before = std::mem::replace(&mut above, row);
    }
    above[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    const KNOWN: [&str; 5] =
        ["frequency_hz", "pulse_s", "repetition_hz", "drive_tolerance", "drive_means"];

    #[track_caller]
    fn check(written: &str, expected: Option<&str>) {
        assert_eq!(nearest(written, KNOWN), expected, "{written}");
    }

    #[test]
    fn slips_of_the_finger_find_the_name() {
        check("frequncy_hz", Some("frequency_hz"));
        check("pusle_s", Some("pulse_s"));
        check("Repetition-Hz", Some("repetition_hz"));
        check("drive_tolerances", Some("drive_tolerance"));
    }

    #[test]
    fn a_name_without_its_unit_finds_the_name() {
        check("repetition", Some("repetition_hz"));
        check("pulse", Some("pulse_s"));
    }

    #[test]
    fn something_else_finds_nothing() {
        check("colour", None);
        check("", None);
        check(&"x".repeat(100), None);
    }

    #[test]
    fn the_distance_counts_the_four_slips() {
        // Textbook values: kitten/sitting 3, and 1 for one swap of neighbours where Levenshtein
        // has 2 (from memory).
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("ab", "ba"), 1);
        // The alignment is restricted: no character is edited twice, so this is 3 and not 2.
        assert_eq!(distance("ca", "abc"), 3);
        assert_eq!(distance("", "abc"), 3);
        assert_eq!(distance("abc", ""), 3);
    }
}
