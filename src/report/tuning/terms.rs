//! What every number of the page is, in a sentence, with its source.

/// Terms in reading order.
pub(super) const TERMS: &[(&str, &str)] = &[
    (
        "λ, detection level",
        "The level of a quantity in a pulse that no change of gain can move, in dB: lines over the floor beside them, broadband over the noise gate (own definition).",
    ),
    (
        "D",
        "λ less the mean λ of the quiet pulses at the same target, channel and drive, in dB; between two drives the mean is interpolated (own definition).",
    ),
    ("Quiet, bubbles", "Pulses recorded without and with bubbles, as whoever recorded them says."),
    (
        "δ, repeatability",
        "What λ may differ by from one series to the next without bubbles, in dB, as the configuration states; a pulse is over when D − δ exceeds the limit, a quiet pulse of the same series when D does.",
    ),
    (
        "α",
        "The share of single tests that may be false alarms so that an exposure of the expected pulses keeps its budget (own definition).",
    ),
    (
        "Rule m of n",
        "m of n pulses in a row must be over; the share p of single pulses is the one with P(Bin(n, p) ≥ m) = α (binomial law).",
    ),
    (
        "Limit",
        "The one-sided tolerance limit k·s: with confidence 95 % at most the share p of quiet pulses lies above it if they are normal; k is a quantile of the noncentral t distribution (tolerance limits of a normal distribution, as in ISO 16269-6).",
    ),
    (
        "s, degrees of freedom",
        "The standard deviation of quiet λ about their drive’s mean, pooled over the drives where Bartlett’s test allows, and the number of pulses less that of drives; else each drive’s own with n − 1.",
    ),
    (
        "Bartlett’s p",
        "The chance of spreads that differ at least so much if all drives had the same; pooled at 0.05 and above (Bartlett 1937).",
    ),
    (
        "Normality",
        "The chance of residuals at least so far from a normal law; below 0.01 the normal tail is not used (Anderson & Darling 1954).",
    ),
    (
        "Largest of all",
        "The chance of a largest residual at least so far out if all are normal; below 0.01 the normal tail is not used (Grubbs 1950).",
    ),
    (
        "Largest quiet pulse",
        "The limit where the normal tail is not used: at most 1 − 0.05^(1/N), about 3/N, of single quiet pulses lie above the largest of N, with confidence 95 %.",
    ),
    (
        "At most … pass",
        "The upper Clopper–Pearson bound of the share of quiet pulses over the limit, from their number alone (Clopper & Pearson 1934).",
    ),
    (
        "Extrapolated by the normal tail",
        "The share asked for is smaller than what the pulses themselves can show; the rest of the way is the normal law’s.",
    ),
    (
        "ROC",
        "For every possible limit of D the share of bubbles pulses over it against that of quiet pulses.",
    ),
    (
        "AUC",
        "The chance that a pulse with bubbles is louder than a quiet one, ties counted half: U/(n₁n₂) (Mann & Whitney 1947); of λ as it is over all drives, and of D over the baseline.",
    ),
    (
        "Interval of the AUC",
        "95 % by the variance of DeLong, DeLong & Clarke-Pearson 1988, beside it that of Hanley & McNeil 1982; when every pair agrees neither has a spread and the lower end is 0.025^(1/min(n₁, n₂)).",
    ),
    (
        "Share over the limit",
        "Pulses over by pulses at a drive, with the 95 % interval of Clopper & Pearson 1934.",
    ),
    (
        "Onset",
        "The logistic curve 1/(1 + exp(−(intercept + slope·ln(drive/MPa)))) through those shares, by maximum likelihood.",
    ),
    (
        "drive50, drive90",
        "The drives at which the curve is at 50 and 90 %, with 95 % intervals by the profile likelihood and by the delta method (both scaled).",
    ),
    (
        "Deviance, Pearson’s χ², scale",
        "How far the shares lie from the curve; the scale, max(1, χ²/degrees of freedom), widens the intervals where they scatter more than binomially (McCullagh & Nelder 1989).",
    ),
    (
        "Firth’s penalised fit",
        "Used and said where the pulses separate, so that maximum likelihood has no finite slope (Firth 1993); the bracket is then what the pulses show: none over below it, all above it.",
    ),
    (
        "Drive in situ",
        "The drive behind the path, what is set in free field less the loss of the path from the transmitter.",
    ),
    (
        "Found in one pulse",
        "The smallest rise over the baseline that one pulse shows in 9 of 10 cases, steady emission, δ included (own definition).",
    ),
    (
        "Established by many together",
        "The smallest lasting rise that the pulses of one drive establish together, in 9 of 10 cases, at the same budget (own definition).",
    ),
    (
        "Chance of one pulse",
        "The mean over the bench’s pulses at that drive of the chance to be over the limit behind the path, against the other site’s noise and baseline.",
    ),
    (
        "Score of a variant",
        "The mean AUC over baseline of the quantities that can raise a verdict, ties by the mean detection limit; chosen on one half of the pulses, ranked on the other, which had no part in the choice.",
    ),
];
