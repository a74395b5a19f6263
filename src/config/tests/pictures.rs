//! How faults are shown, and text that is no configuration at all.

use proptest::prelude::*;

use super::*;

#[test]
fn all_faults_come_in_one_run_in_the_order_of_the_file() {
    let text = with("pulse_s", "\"4 ms\"");
    let text = with_line(&text, "channels = ", "chanels = 1");
    let text = with_line(&text, "overlap", "overlap = 2");
    let text = with_line(&text, "harmonics", "harmonics = [1, \"two\"]");
    let text = with_line(&text, "severity", "severity = \"loud\"");
    let diagnosis = refused(&text);
    let lines: Vec<usize> = diagnosis.faults().map(|fault| fault.lines()[0]).collect();
    assert!(lines.is_sorted(), "{lines:?}");
    let messages: Vec<&str> = diagnosis.faults().map(Diagnostic::message).collect();
    let parts = ["pulse_s", "chanels", "overlap", "harmonics[0]", "harmonics[1]", "severity"];
    assert_eq!(messages.len(), parts.len(), "{diagnosis}");
    for (message, part) in messages.iter().zip(parts) {
        assert!(message.contains(part), "{message}: {part}");
    }
}

#[test]
fn a_diagnosis_reads_like_a_compilers() {
    let text = "[drive]\n\
                frequncy_hz = 0.7e6\n\
                pulse_s = 0.25 # too long\n\
                repetition_hz = 5.0\n\
                drive_tolerance = 0.7\n\
                drive_means = \"as set\"\n\
                missing_after_periods = 2.5\n";
    let tables = &PHANTOM[PHANTOM.find("[receive]").unwrap()..];
    let diagnosis = refused(&format!("{text}{tables}"));
    let expected = r"error: unknown key `frequncy_hz` in [drive]
 --> bench.toml:2:1
  |
2 | frequncy_hz = 0.7e6
  | ^^^^^^^^^^^ unknown key
  |
  = help: did you mean `frequency_hz`?

error: `drive.drive_tolerance` is 0.7, must be above 0 and below 0.5
 --> bench.toml:5:19
  |
5 | drive_tolerance = 0.7
  |                   ^^^ must be above 0 and below 0.5

bench.toml: 2 faults";
    assert_eq!(diagnosis.to_string(), expected);
    assert!(diagnosis.coloured().contains("\u{1b}["));

    let text = text.replace("frequncy", "frequency").replace("0.7\n", "0.05\n");
    let expected = r"error: `drive.pulse_s` is 0.25, must be shorter than the period of the repetition, 0.2 s
 --> bench.toml:3:11
  |
3 | pulse_s = 0.25 # too long
  |           ^^^^ too long
4 | repetition_hz = 5.0
  |                 --- for this

bench.toml: 1 fault";
    assert_eq!(refused(&format!("{text}{tables}")).to_string(), expected);
}

#[test]
fn text_that_is_no_toml_is_shown_where_it_stops_being_one() {
    let text = with("pulse_s", "4e-");
    let fault = only_fault(&text);
    assert!(fault.message().starts_with("no valid TOML: invalid exponent"), "{fault}");
    check_lines(&text, &fault, &["pulse_s"]);
    let text = with("pulse_s", "4e-3\npulse_s = 5e-3");
    let fault = only_fault(&text);
    assert_eq!(fault.message(), "no valid TOML: duplicate key");
    let text = with_line(&with("pulse_s", "4e-"), "overlap", "overlap =");
    assert_eq!(refused(&text).faults().count(), 2);
    assert!(parse("empty.toml", "").is_err());
}

#[test]
fn files_that_cannot_be_read_say_why() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("missing.toml");
    let error = load(&missing).unwrap_err();
    assert!(matches!(error, ConfigError::NotFound { .. }), "{error}");
    assert_eq!(error.exit_code(), 66);
    assert!(error.to_string().contains("missing.toml"));
    let error = load(folder.path()).unwrap_err();
    assert!(matches!(error, ConfigError::Unreadable { .. }), "{error}");

    let path = folder.path().join("latin.toml");
    std::fs::write(&path, b"[session]\nsubject = \"5 \xb5m\"\n").unwrap();
    let error = load(&path).unwrap_err();
    assert_eq!(error.exit_code(), 78);
    let ConfigError::Invalid(diagnosis) = error else { panic!("{error}") };
    let fault = diagnosis.faults().next().unwrap();
    assert_eq!(fault.message(), "the file is not UTF-8: byte 0xb5 at offset 23");
    assert_eq!(fault.lines(), [2]);

    std::fs::write(&path, vec![b'#'; 1_048_577]).unwrap();
    let error = load(&path).unwrap_err();
    assert!(error.to_string().contains("longer than 1048576 bytes"), "{error}");
    std::fs::write(&path, PHANTOM).unwrap();
    assert_eq!(load(&path).unwrap().text, PHANTOM);
}

#[test]
fn the_sha_256_is_that_of_the_bytes() {
    // FIPS 180-2, appendix B.1: the digest of "abc".
    let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    assert_eq!(hexadecimal("abc"), expected);
    assert_eq!(parse("bench.toml", PHANTOM).unwrap().sha256, hexadecimal(PHANTOM));
}

#[test]
fn deep_nesting_and_many_faults_stay_cheap() {
    for opened in ["[", "{a=", "a."] {
        let text = format!("x = {}", opened.repeat(300_000 / opened.len()));
        assert!(parse("deep.toml", &text).is_err());
    }
    let text: String = (0..10_000).map(|key| format!("key_{key} = 1\n")).collect();
    let diagnosis = refused(&text);
    assert!(diagnosis.to_string().len() < 1_000_000);
    assert!(diagnosis.faults().count() > 10_000);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_text_is_judged_without_a_panic(text in "\\PC{0,200}|[\\s\\S]{0,200}") {
        if let Err(diagnosis) = parse("any.toml", &text) {
            prop_assert!(diagnosis.to_string().contains("any.toml"));
        }
    }

    #[test]
    fn an_example_with_a_piece_replaced_is_judged_without_a_panic(
        at in 0..PHANTOM.len(),
        length in 0_usize..60,
        piece in "[\\[\\]{}=\",.#_a-z0-9e \\n\u{b5}-]{0,12}",
    ) {
        let start = PHANTOM.floor_char_boundary(at);
        let end = PHANTOM.ceil_char_boundary((start + length).min(PHANTOM.len()));
        let text = format!("{}{piece}{}", &PHANTOM[..start], &PHANTOM[end..]);
        match parse("mutated.toml", &text) {
            Ok(loaded) => {
                let mut pictures = loaded.warnings.iter().map(Diagnostic::to_string);
                prop_assert!(pictures.all(|picture| picture.starts_with("warning: ")));
            }
            Err(diagnosis) => {
                prop_assert!(diagnosis.to_string().starts_with("error: "));
                prop_assert!(diagnosis.faults().count() > 0);
            }
        }
    }

    #[test]
    fn an_example_cut_anywhere_is_judged_without_a_panic(at in 0..PHANTOM.len()) {
        let text = &PHANTOM[..PHANTOM.floor_char_boundary(at)];
        if let Err(diagnosis) = parse("cut.toml", text) {
            prop_assert!(!diagnosis.to_string().is_empty());
        }
    }
}
