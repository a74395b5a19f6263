//! What a single key may say.

use super::*;
use crate::detect::Rule;
use crate::signal::Quantity;

#[test]
fn the_drive_keeps_its_bounds() {
    for key in ["frequency_hz", "pulse_s"] {
        check(key, "0", "must be above 0");
        check(key, "-1.0", "must be above 0");
    }
    check("frequency_hz", "inf", "must be above 0 and at most 1e10");
    check("frequency_hz", "nan", "must be above 0 and at most 1e10");
    check("repetition_hz", "0.0", "must be at least 3e-4");
    check("drive_tolerance", "0.0", "must be above 0 and below 0.5");
    check("drive_tolerance", "0.5", "must be above 0 and below 0.5");
    check("drive_means", "\" \"", "must be a text that is not empty");
    check("drive_means", "\"a\\nb\"", "must be one line without control characters");
    check("drive_means", "3", "is a whole number, must be a text in quotes");
    check("missing_after_periods", "1.0", "must be above 1");
}

#[test]
fn the_receive_chain_keeps_its_bounds() {
    check("sample_rate_hz", "1.1e10", "must be above 0 and at most 1e10");
    check("channels", "1.0", "is a number with a point or exponent, must be a whole number");
    check("sample_format", "\"ri16\"", "must be one of \"ri8\", \"ri16_le\"");
    check("volts_per_count", "0.0", "must be finite and above 0");
    check("volts_per_count", "-1e-5", "must be finite and above 0");
    check("volts_per_count", "true", "is true or false, must be a number");
    check("full_scale_counts", "[8191, -8192]", "must be two numbers that rise");
    check("full_scale_counts", "[1, 1]", "must be two numbers that rise");
    check("full_scale_counts", "[-1.5, 1.0]", "must be whole numbers, as ri16_le holds counts");
    check("full_scale_counts", "[-1, 0, 1]", "must be a pair of numbers");
    check("full_scale_counts", "3", "must be a pair of numbers");
    check("gain_db", "inf", "must be finite");
    check("pretrigger_s", "-1e-3", "must be at least 0 and at most 3600");
    check("gate_end_s", "3601", "must be at least -3600 and at most 3600");
    check("first_arrival_s", "0.0", "must be above 0");
    check("unused_channels", "[-1]", "must be a whole number from 0 to 1023");
    check("unused_channels", "[0]", "must be at least one channel short of all of them");
}

#[test]
fn the_number_of_channels_is_bounded() {
    for channels in ["0", "1025", "99999999999999999999999999999999999999999999"] {
        let diagnosis = refused(&with("channels", channels));
        let fault = diagnosis.faults().next().unwrap();
        assert!(fault.message().contains("must be a whole number from 1 to 1024"), "{fault}");
    }
    assert_eq!(accepted("channels", "1024").settings.signal.receive.volts_per_count.len(), 1024);
}

#[test]
fn spectrum_and_bands_keep_their_bounds() {
    check("resolution_hz", "0.0", "must be above 0");
    check("window", "\"han\"", "must be one of \"hann\", \"blackman-harris\", \"rectangular\"");
    check("overlap", "0.96", "must be at least 0 and at most 0.95");
    check("overlap", "-0.1", "must be at least 0 and at most 0.95");
    check("harmonics", "[1]", "must be a whole number from 2 to 1000");
    check("harmonics", "[2.0]", "must be a whole number");
    check("harmonics", "2", "must be an array of whole numbers from 2");
    check("harmonics", "[2, 3, 2]", "`bands.harmonics[2]` repeats `bands.harmonics[0]`");
    check("ultraharmonics", "[1.5, 2.0]", "`bands.ultraharmonics[1]` is 2.0, must be 1.5, 2.5, …");
    check("ultraharmonics", "[0.5]", "must be 1.5, 2.5, … up to 999.5");
    check("ultraharmonics", "[1.5000001]", "must be 1.5, 2.5, …");
    check("ultraharmonics", "[1.5, 1.5]", "repeats");
    check("subharmonic", "1", "must be true or false");
    for key in ["line_half_width_hz", "guard_half_width_hz", "flank_half_width_hz"] {
        check(key, "0", "must be above 0");
    }
    check("broadband_hz", "[]", "must be at least one pair");
    check("broadband_hz", "[1e6, 2e6]", "must be an array of pairs such as [[1.1e6, 6.0e6]]");
    check("broadband_hz", "[[2e6, 1e6]]", "must be two numbers that rise");
    check("notches_hz", "[[-1, 1e6]]", "must be at least 0");
    check("noise_band_hz", "[1e6]", "must be a pair of numbers");
}

#[test]
fn detection_keeps_its_bounds() {
    for value in ["0", "1", "-0.5"] {
        check("false_alarms_per_exposure", value, "must be above 0 and below 1");
    }
    check("expected_pulses", "0", "must be a whole number from 1 to 10000000");
    check("expected_pulses", "10_000_001", "must be a whole number from 1 to 10000000");
    check("stable_from", "[\"broadband\"]", "must be one of \"harmonic\", \"ultraharmonic\"");
    check("stable_from", "[\"subharmonic\", \"subharmonic\"]", "without a quantity twice");
    check("floor_allowance_db", "-0.1", "must be at least 0");
    check("sign_of_life", "\"pulse\"", "must be one of \"fundamental\", \"noise\", \"none\"");
    check("fundamental_drop_db", "0", "must be above 0");
    check("noise_drift_db", "0", "must be above 0");
    check("channels_needed", "0", "must be a whole number from 1 to 1024");
    let rule = |text: &str| {
        format!(
            "{{ harmonic = \"{text}\", ultraharmonic = \"2 of 3\", subharmonic = \"2 of 3\", \
                 broadband = \"1 of 1\" }}"
        )
    };
    for wrong in ["0 of 1", "3 of 2", "1 of 65", "1", "1 in 2", "1 of 2 of 3", "-1 of 2", ""] {
        check("rule", &rule(wrong), "must be \"m of n\" with 1 <= m <= n <= 64");
    }
    assert_eq!(
        accepted("rule", &rule("64 of 64")).settings.detect.rule[Quantity::Harmonic],
        Rule { needed: 64, of: 64 }
    );
    let missing = "{ harmonic = 1.5, ultraharmonic = 0.0, subharmonic = 0.0 }";
    check("repeatability_db", missing, "`broadband` is missing in `detect.repeatability_db`");
    let negative = "{ harmonic = -1, ultraharmonic = 0, subharmonic = 0, broadband = 0 }";
    check(
        "repeatability_db",
        negative,
        "`detect.repeatability_db.harmonic` is -1, must be at least 0",
    );
}

#[test]
fn whole_numbers_serve_as_numbers_in_any_radix() {
    for written in ["700_000", "0xaae60", "700_000.0", "+7.0E5"] {
        let drive = accepted("frequency_hz", written).settings.drive;
        assert_eq!((written, drive.frequency_hz), (written, 0.7e6));
    }
}

#[test]
fn addresses_are_numbers_and_open_ones_need_a_token() {
    check("http", "\"localhost:8787\"", "must be ADDR:PORT with the address in numbers");
    let fault = only_fault(&with("http", "\"localhost:8787\""));
    let help = "write the address in numbers, such as \"127.0.0.1:8787\"";
    assert_eq!(fault.advice(), Some(help));
    check("http", "\"127.0.0.1\"", "must be ADDR:PORT with the address in numbers");
    check("http", "\"127.0.0.1:99999\"", "must be ADDR:PORT with the address in numbers");
    check("http", "\"0.0.0.0:8787\"", "which other machines can reach, without `token_file`");
    check("stream", "\"192.0.2.1:8788\"", "which other machines can reach, without `token_file`");
    check("spectra_kept_bytes", "-1", "must be a whole number from 0 to 1099511627776");
    let loaded = accepted("http", "\"0.0.0.0:8787\"\ntoken_file = \"token\"");
    let serve = loaded.settings.serve.unwrap();
    assert_eq!(serve.token_file, Some(PathBuf::from("token")));
    let text = with("http", "\"127.0.0.1:8788\"");
    check_places(&text, "the address of `serve.http`", &["stream =", "http ="]);
}

#[test]
fn notes_are_free_and_may_be_left_out() {
    check("subject", "3", "must be a text in quotes");
    check("water_temperature_c", "\"cold\"", "is a text, must be a number");
    check("water_temperature_c", "nan", "must be finite");
    check("dissolved_oxygen_mg_per_l", "-1", "must be finite and at least 0");
    let start = PHANTOM.find("[session]").unwrap();
    let end = PHANTOM.find("[drive]").unwrap();
    let loaded = parse("bench.toml", &format!("{}{}", &PHANTOM[..start], &PHANTOM[end..])).unwrap();
    assert_eq!(loaded.settings.session, SessionNotes::default());
}
