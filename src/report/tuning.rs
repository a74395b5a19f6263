//! What tuning found as one self-contained HTML page, from what `tuning.json` holds and nothing else.
//! No script, no outside request; prints on A4.
//!
//! [`read`] takes numbers that may not be there; [`words`] what they come to, in sentences; [`figures`]
//! the pictures of a quantity; [`forecast`] what would be heard behind a loss; [`terms`] what every
//! number is.

mod figures;
mod forecast;
mod read;
mod terms;
#[cfg(test)]
mod tests;
mod words;

use std::fmt::Write as _;

use serde_json::Value;

use self::figures::Figure;
use self::read::{
    Group, channel, digits, groups, list, mpa, name, percent, real, text, texts, whole, with_ends,
};
use self::words::{came_of, drive, ground, heading, reasons, sentence};
use super::page::opening;
use super::section::pair_table;
use super::words::{Table, UNKNOWN, escape, paragraph, target};

/// The page of a tuning; whatever is missing is a dash with its reason.
#[must_use]
pub fn tuning_page(tuning: &Value) -> String {
    let subject = match text(&tuning["configuration"]["name"]) {
        "" => "unnamed configuration",
        name => name,
    };
    let mut html = opening(&format!("Tuning: {subject}"));
    html += &header(tuning, subject);
    let groups = groups(&tuning["quantities"]);
    html += &outcome(tuning, &groups);
    if !groups.is_empty() {
        html += &overview(&groups);
        groups.iter().for_each(|group| html += &quantity(group, text(&tuning["drive_means"])));
        html += &grounds(&groups);
    }
    html += &advice(tuning, &groups);
    html += &forecast::section(&tuning["forecast"]);
    html += &tried(&tuning["tried"]);
    html += &sources(tuning);
    html += "<section><h2>What the numbers are</h2>\n<dl class=\"terms\">";
    for (term, meaning) in terms::TERMS {
        write!(html, "<dt>{}</dt><dd>{}</dd>", escape(term), escape(meaning)).ok();
    }
    html + "</dl></section>\n</body></html>\n"
}

/// Every figure of the page: name for its files, SVG, CSV.
#[must_use]
pub fn tuning_figures(tuning: &Value) -> Vec<(String, String, String)> {
    let mut all: Vec<(String, String, String)> = Vec::new();
    let mut keep = |name: String, svg: String, csv: String| {
        let taken = |tried: &str| all.iter().any(|(name, ..)| name == tried);
        let free = (2_u32..).map(|n| format!("{name}-{n}"));
        let name = std::iter::once(name.clone()).chain(free).find(|tried| !taken(tried));
        all.push((name.unwrap_or_default(), svg, csv));
    };
    for entry in groups(&tuning["quantities"])
        .iter()
        .flat_map(|group| std::iter::once(group.telling).chain(group.others.iter().copied()))
    {
        for figure in figures::all(entry).into_iter().flatten() {
            let place = format!("{} {} {}", name(entry), channel(&entry["channel"]), figure.kind);
            keep(file_name(&place), figure.picture.as_file(), figure.csv);
        }
    }
    let ahead = groups(&tuning["forecast"]["quantities"]);
    let telling: Vec<&Value> = ahead.iter().map(|group| group.telling).collect();
    let [by_drive, limits] = forecast::data(&telling);
    for (name, picture, csv) in [
        ("forecast-chances", forecast::chances(&telling), by_drive),
        ("forecast-heard", forecast::heard(&telling), limits),
    ] {
        if let Some(picture) = picture {
            keep(name.to_owned(), picture.as_file(), csv);
        }
    }
    all
}

/// Small letters, digits and hyphens, so that no name leaves its folder.
fn file_name(words: &str) -> String {
    let short: String = words.chars().take(80).collect();
    let plain = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' };
    short.chars().map(plain).collect()
}

fn header(tuning: &Value, subject: &str) -> String {
    let mut html = format!(
        "<header><p class=\"kind\">Tuning</p><h1>{}</h1>\n<p class=\"caution\"><b>Caution.</b> {}</p>\n",
        escape(subject),
        escape(match text(&tuning["caution"]) {
            "" => crate::CAUTION,
            said => said,
        })
    );
    let pairs = [
        ("simmer", said(text(&tuning["simmer"]))),
        ("confidence of limits and intervals", percent(&tuning["confidence"])),
        ("false alarms per exposure", digits(&tuning["false_alarms_per_exposure"], 3)),
        ("expected pulses of an exposure", whole(&tuning["expected_pulses"])),
        ("share of one test, α", digits(&tuning["alpha"], 3)),
        ("drive means", said(text(&tuning["drive_means"]))),
    ];
    html += &pair_table(&pairs.map(|(label, value)| (label.to_owned(), value)));
    html + "</header>\n"
}

fn said(text: &str) -> String {
    if text.is_empty() { format!("{UNKNOWN} (not said)") } else { text.to_owned() }
}

fn outcome(tuning: &Value, groups: &[Group<'_>]) -> String {
    let mut html = "<section><h2>What came of it</h2>\n".to_owned();
    if groups.is_empty() {
        html += "<p>There is nothing: this tuning holds no quantity, so no limit, no ROC curve and no onset.</p>\n";
    }
    html += "<ul>";
    for group in groups {
        let name = sentence(group.name);
        let name = escape(name.trim_end_matches('.'));
        write!(html, "<li><b>{name}</b> {}</li>", escape(&came_of(group.telling))).ok();
    }
    html += "</ul>\n";
    if groups.is_empty() {
        html = html.replace("<ul></ul>\n", "");
    } else {
        html += "<p class=\"note\">Told for all channels together where there is such, else for the channel whose AUC over baseline is greatest; picking the best of several channels flatters it.</p>\n";
    }
    html += &left_out(&tuning["left_out"]);
    html + "</section>\n"
}

fn left_out(rows: &Value) -> String {
    if list(rows).is_empty() {
        return String::new();
    }
    let mut table = Table::new("tuning", &["pulses left out", "label", "channel", "reason"]);
    for row in list(rows) {
        table.row(&[
            whole(&row["pulses"]),
            text(&row["label"]).to_owned(),
            channel(&row["channel"]),
            said(text(&row["reason"])),
        ]);
    }
    table.end()
}

fn overview(groups: &[Group<'_>]) -> String {
    let mut table = Table::new(
        "tuning wide",
        &[
            "quantity",
            "channel",
            "pulses quiet / bubbles",
            "AUC of λ",
            "AUC over baseline",
            "limit + δ, dB",
            "rule",
            "quiet over (at most)",
            "drive50, MPa",
            "drive90, MPa",
        ],
    );
    let mut dashes = String::new();
    for entry in groups
        .iter()
        .flat_map(|group| std::iter::once(group.telling).chain(group.others.iter().copied()))
    {
        let limit = &entry["limit"];
        let auc = |key: &str| {
            let end = |ending: &str| &entry[format!("{key}_{ending}")];
            with_ends(&entry[key], end("lo"), end("hi"), 3)
        };
        table.row(&[
            name(entry).to_owned(),
            match channel(&entry["channel"]) {
                _ if entry["channel"] == "all" => "all".to_owned(),
                place => place.trim_start_matches("channel ").to_owned(),
            },
            format!("{} / {}", whole(&entry["n_quiet"]), whole(&entry["n_bubbles"])),
            auc("auc"),
            auc("auc_over_baseline"),
            format!("{} + {}", digits(&entry["limit_db"], 3), mpa(&entry["repeatability_db"])),
            said(words::rule(entry)).replace(' ', "\u{a0}"),
            match real(&limit["share_upper"]) {
                Some(_) => format!(
                    "{} of {} ({})",
                    whole(&limit["over"]),
                    whole(&limit["of"]),
                    percent(&limit["share_upper"])
                ),
                None => UNKNOWN.to_owned(),
            },
            drive(entry, "drive50"),
            drive(entry, "drive90"),
        ]);
        let why = reasons(entry);
        if !why.is_empty() {
            let words = format!("{}: {}", heading(entry), why.join("; "));
            write!(dashes, "<li>{}</li>", escape(&sentence(&words))).ok();
        }
    }
    let mut html = format!("<section><h2>Quantities and channels</h2>\n{}", table.end());
    if !dashes.is_empty() {
        writeln!(html, "<p>Why there are dashes:</p>\n<ul>{dashes}</ul>").ok();
    }
    html + "</section>\n"
}

fn quantity(group: &Group<'_>, drive_means: &str) -> String {
    let mut html = format!("<section><h2>{}</h2>\n", escape(&heading(group.telling)));
    html += &looks(group.telling, drive_means);
    if !group.others.is_empty() {
        html += "<details><summary>The other channels (unfold before printing)</summary>\n";
        for entry in &group.others {
            write!(html, "<h3>{}</h3>\n{}", escape(&heading(entry)), looks(entry, drive_means))
                .ok();
        }
        html += "</details>\n";
    }
    html + "</section>\n"
}

/// The figures of a quantity on a channel and the numbers behind them.
fn looks(entry: &Value, drive_means: &str) -> String {
    let [strip, roc, onset] = figures::all(entry);
    let mut html = "<div class=\"trio\">".to_owned();
    let show = |figure: Option<Figure>, without: &str| match figure {
        Some(figure) => format!("<figure>{}</figure>", figure.picture.in_page()),
        None => format!("<p class=\"note\">{UNKNOWN} {}</p>", escape(&sentence(without))),
    };
    html += &show(strip, &words::no_limit(entry));
    html += &show(roc, words::no_roc(entry));
    let why = words::no_onset(entry);
    html += &show(onset, why.as_deref().unwrap_or("no onset: no drive is known"));
    html += "</div>\n";
    let mut caption = format!(
        "{}. Left: D of quiet pulses at each drive, spread about 0, against the limit. Middle: ROC of D. Right: shares over the limit with Clopper–Pearson intervals, fitted curve, the drives at 50 % (diamond) and 90 % (box) with profile intervals; an interval without a cap is open or leaves the picture",
        figures::pulses(entry)
    );
    if entry["onset"]["bracket_mpa"].is_array() {
        caption += "; hatched: the bracket of drives between none and all over";
    }
    if !drive_means.is_empty() {
        write!(caption, ". Drive is {drive_means}").ok();
    }
    writeln!(html, "<p class=\"note\">{}</p>", escape(&sentence(&caption))).ok();
    if let Some(why) = why {
        html += &paragraph(&sentence(&why));
    } else if !text(&entry["onset"]["why"]).is_empty() {
        html += &paragraph(&sentence(text(&entry["onset"]["why"])));
    }
    html += &pair_table(&words::facts(entry));
    let drives = list(&entry["onset"]["drives"]);
    if !drives.is_empty() {
        let head = ["drive, MPa", "pulses", "over the limit", "share", "95 % interval"];
        let mut table = Table::new("tuning", &head);
        for row in drives {
            let ends = format!("{} to {}", digits(&row["lo"], 3), digits(&row["hi"], 3));
            let share = digits(&row["share"], 3);
            table.row(&[
                mpa(&row["drive_mpa"]),
                whole(&row["pulses"]),
                whole(&row["over"]),
                share,
                ends,
            ]);
        }
        html += &table.end();
    }
    html
}

fn grounds(groups: &[Group<'_>]) -> String {
    let mut html = "<section><h2>Where the limits come from</h2>\n".to_owned();
    groups.iter().for_each(|group| html += &one_ground(group.telling));
    let others: Vec<&Value> = groups.iter().flat_map(|group| group.others.clone()).collect();
    if !others.is_empty() {
        html += "<details><summary>The other channels (unfold before printing)</summary>\n";
        others.into_iter().for_each(|entry| html += &one_ground(entry));
        html += "</details>\n";
    }
    html + "</section>\n"
}

fn one_ground(entry: &Value) -> String {
    let mut html = format!("<h3>{}</h3>\n{}", escape(&heading(entry)), paragraph(&ground(entry)));
    let drives = list(&entry["limit"]["drives"]);
    if drives.is_empty() {
        return html;
    }
    let head = ["target", "drive, MPa", "quiet pulses", "mean λ, dB", "s, dB", "limit, dB"];
    let mut table = Table::new("tuning", &head);
    for row in drives {
        table.row(&[
            target(text(&row["target"])),
            match real(&row["drive_mpa"]) {
                Some(_) => mpa(&row["drive_mpa"]),
                None => format!("{UNKNOWN} (not known)"),
            },
            whole(&row["pulses"]),
            digits(&row["mean_db"], 4),
            digits(&row["sd_db"], 3),
            digits(&row["limit_db"], 3),
        ]);
    }
    html += &table.end();
    html
}

fn advice(tuning: &Value, groups: &[Group<'_>]) -> String {
    let mut html = "<section><h2>Advice in full</h2>\n".to_owned();
    let mut items = String::new();
    for advice in texts(&tuning["advice"]) {
        write!(items, "<li>{}</li>", escape(&sentence(advice))).ok();
    }
    for entry in groups
        .iter()
        .flat_map(|group| std::iter::once(group.telling).chain(group.others.iter().copied()))
    {
        for advice in texts(&entry["advice"]) {
            let place = escape(&heading(entry));
            write!(items, "<li><b>{place}:</b> {}</li>", escape(advice)).ok();
        }
    }
    if items.is_empty() {
        html += "<p>There is none.</p>\n";
    } else {
        writeln!(html, "<ul>{items}</ul>").ok();
    }
    html + "</section>\n"
}

/// A half of the pulses: its score and what each quantity reached.
fn half(half: &Value) -> (String, String) {
    let parts: Vec<String> = list(&half["quantities"])
        .iter()
        .map(|one| {
            let (auc, hear) = (digits(&one["auc"], 3), digits(&one["hear_db"], 3));
            format!("{} AUC {auc}, from {hear} dB", name(one))
        })
        .collect();
    let parts = if parts.is_empty() { UNKNOWN.to_owned() } else { parts.join("; ") };
    (digits(&half["score"], 3), parts)
}

fn tried(tried: &Value) -> String {
    let mut html = "<section><h2>Variants that were tried</h2>\n".to_owned();
    if list(tried).is_empty() {
        return html + "<p>– None: tuning was not asked to try other settings.</p></section>\n";
    }
    html += "<p>Ranked on the half of the pulses that had no part in the choice; the score is the mean AUC over baseline.</p>\n";
    let mut table = Table::new(
        "tuning",
        &["rank", "variant", "score held out", "held out", "score chosen on", "chosen on"],
    );
    let mut rows: Vec<&Value> = list(tried).iter().collect();
    rows.sort_by_key(|row| row["rank"].as_u64().unwrap_or(u64::MAX));
    for row in rows {
        let mut what = said(text(&row["what"]));
        if row["baseline"] == true {
            what = format!("{} – the configuration as it is", text(&row["what"]));
        }
        for (word, key) in [("", "why"), ("cannot be used: ", "fault")] {
            if !text(&row[key]).is_empty() {
                write!(what, "; {word}{}", text(&row[key])).ok();
            }
        }
        let (held_out, chosen_on) = (half(&row["held_out"]), half(&row["chosen_on"]));
        let rank = whole(&row["rank"]);
        table.row(&[rank, what, held_out.0, held_out.1, chosen_on.0, chosen_on.1]);
    }
    html + &table.end() + "</section>\n"
}

fn sources(tuning: &Value) -> String {
    let mut table = Table::new("hash", &["what", "name", "SHA-256"]);
    let mut row = |what: &str, of: &Value| {
        let (name, hash) = (said(text(&of["name"])), said(text(&of["sha256"])));
        table.row(&[what, &name, &hash]);
    };
    row("configuration", &tuning["configuration"]);
    for source in list(&tuning["sources"]) {
        row(text(&source["label"]), source);
    }
    format!("<section><h2>What it was made of</h2>\n{}</section>\n", table.end())
}
