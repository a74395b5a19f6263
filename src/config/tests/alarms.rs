//! What an alarm may say.

use super::*;
use crate::detect::{AlarmLimit, Condition, Rule, Trigger};
use crate::signal::Quantity;

/// The example with its alarms replaced by one, whose lines these are.
pub(super) fn with_alarm(lines: &str) -> String {
    let start = PHANTOM.find("\n[[alarm]]").unwrap();
    let end = PHANTOM.find("\n[serve]").unwrap();
    let (head, tail) = (&PHANTOM[..start], &PHANTOM[end..]);
    let common =
        "name = \"loud\"\nseverity = \"stop\"\nhold_s = 1\nlatch = true\nsinks = [\"page\"]";
    format!("{head}\n[[alarm]]\n{common}\n{lines}\n{tail}")
}

#[track_caller]
fn check_alarm(lines: &str, message: &str) {
    let fault = only_fault(&with_alarm(lines));
    assert!(fault.message().contains(message), "{}", fault.message());
}

#[test]
fn a_limit_by_hand_needs_its_own_off_and_rule() {
    let by_hand = "quantity = \"harmonic\"\nlimit = { db = 3 }\noff_db = 2\nm_of_n = \"2 of 4\"";
    let loaded = parse("bench.toml", &with_alarm(by_hand)).unwrap();
    let rule = Rule { needed: 2, of: 4 };
    let limit = AlarmLimit::AboveBaselineDb { on_db: 3.0, off_db: 2.0, rule };
    let expected = Trigger::Over { quantity: Quantity::Harmonic, limit };
    assert_eq!(loaded.settings.alarms[0].trigger, expected);

    let by_hand = by_hand.replace("{ db = 3 }", "{ v2_per_hz = 1e-12 }");
    let message = "`alarm[0].off_db` is 2, must be at least -300 and at most 0";
    check_alarm(&by_hand, message);
    let loaded = parse("bench.toml", &with_alarm(&by_hand.replace("off_db = 2", "off_db = -1.5")));
    let limit = AlarmLimit::DensityV2PerHz { on_v2_per_hz: 1e-12, off_db: -1.5, rule };
    let expected = Trigger::Over { quantity: Quantity::Harmonic, limit };
    assert_eq!(loaded.unwrap().settings.alarms[0].trigger, expected);

    let limit = "quantity = \"broadband\"\nlimit = { db = 3 }";
    check_alarm(limit, "`off_db` and `m_of_n` are missing in [[alarm]]");
    check_alarm(&format!("{limit}\noff_db = 1"), "`m_of_n` is missing in [[alarm]]");
    check_alarm(&format!("{limit}\nm_of_n = \"1 of 1\""), "`off_db` is missing in [[alarm]]");
}

#[test]
fn an_alarm_watches_one_thing_with_the_keys_that_go_with_it() {
    check_alarm("", "`quantity` or `condition` is missing in [[alarm]]");
    check_alarm("quantity = \"broadband\"", "`limit` is missing in [[alarm]]");
    check_alarm("quantity = \"noise\"\nlimit = \"budget\"", "must be one of \"harmonic\"");
    check_alarm("condition = \"too loud\"", "must be one of \"overload\", \"pulse missing\"");
    check_alarm(
        "condition = \"overload\"\nlimit = \"budget\"",
        "has no meaning beside `condition`",
    );
    check_alarm("quantity = \"broadband\"\ncondition = \"overload\"", "exclude each other");
    let budget = "quantity = \"broadband\"\nlimit = \"budget\"";
    check_alarm(&format!("{budget}\noff_db = 1"), "belongs to a limit set by hand");
    check_alarm(&format!("{budget}\nm_of_n = \"1 of 1\""), "belongs to a limit set by hand");
    let by_hand = "quantity = \"broadband\"\noff_db = -1\nm_of_n = \"1 of 1\"\nlimit = ";
    check_alarm(&format!("{by_hand}\"none\""), "must be one of \"budget\"");
    check_alarm(&format!("{by_hand}3.0"), "must be \"budget\", { db = … } or { v2_per_hz = … }");
    check_alarm(&format!("{by_hand}{{ }}"), "`db` or `v2_per_hz` is missing in `alarm[0].limit`");
    check_alarm(&format!("{by_hand}{{ db = 1, v2_per_hz = 1 }}"), "exclude each other");
    check_alarm(&format!("{by_hand}{{ v2_per_hz = 0 }}"), "must be finite and above 0");
    check_alarm(&format!("{by_hand}{{ bd = 1 }}"), "unknown key `bd` in `alarm[0].limit`");
}

#[test]
fn alarms_keep_their_bounds() {
    check("hold_s", "-1", "must be at least 0 and at most 86400");
    check("latch", "\"yes\"", "must be true or false");
    check("severity", "\"stpo\"", "must be one of \"warning\", \"stop\"");
    check("sinks", "[\"page\", \"mail\"]", "must be one of \"page\", \"events\"");
    check("sinks", "[\"page\", \"page\"]", "without a sink twice");
    check("name", "\"\"", "must be a text that is not empty");
    let long = format!("\"{}\"", "x".repeat(61));
    check("name", &long, "must be at most 60 characters long");
    let single = with_alarm("condition = \"overload\"").replace("[[alarm]]", "[alarm]");
    assert_eq!(only_fault(&single).advice(), Some("write [[alarm]], any number of times"));
}

#[test]
fn every_condition_can_be_watched() {
    for condition in Condition::ALL {
        let text = with_alarm(&format!("condition = \"{}\"", condition.name()));
        let loaded = parse("bench.toml", &text).unwrap();
        assert_eq!(loaded.settings.alarms[0].trigger, Trigger::State(condition));
    }
}
