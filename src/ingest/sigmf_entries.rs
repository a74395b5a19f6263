//! The entries of SigMF's lists: extensions, captures, and the annotations that are pulses.

use std::num::NonZeroU32;
use std::sync::Arc;

use jiff::Timestamp;
use serde::Deserialize;
use serde::de::{Deserializer, Error, IgnoredAny, MapAccess, Visitor};

use super::pulses::{Candidate, Place, check_target};
use super::sigmf_json::{Entry, Scalar, quoted};
use crate::engine::{DeviceNanos, PulseTag, SampleIndex, Stage};

/// An extension that would have to be understood; such a file is refused.
pub(super) struct Extension;

#[derive(Deserialize)]
pub(super) struct ExtensionWritten {
    name: Option<Scalar>,
    optional: Option<Scalar>,
}

impl Entry for Extension {
    type Written = ExtensionWritten;
    const LIST: &'static str = "core:extensions";

    fn check(_: usize, written: ExtensionWritten) -> Result<Option<Self>, String> {
        let name = needed(written.name.as_ref(), "name")?.text("name")?;
        let optional = needed(written.optional.as_ref(), "optional")?.flag("optional")?;
        if optional || name == "simmer" {
            return Ok(None);
        }
        Err(format!("{} must be understood to read this file, and is not known here", quoted(name)))
    }
}

/// A capture: from which sample set on what holds.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Capture {
    pub(super) start: u64,
    pub(super) global_index: Option<u64>,
    pub(super) header_bytes: u64,
    pub(super) datetime: Option<Timestamp>,
}

#[derive(Deserialize)]
pub(super) struct CaptureWritten {
    #[serde(rename = "core:sample_start")]
    start: Option<Scalar>,
    #[serde(rename = "core:global_index")]
    global_index: Option<Scalar>,
    #[serde(rename = "core:header_bytes")]
    header_bytes: Option<Scalar>,
    #[serde(rename = "core:datetime")]
    datetime: Option<Scalar>,
}

impl Entry for Capture {
    type Written = CaptureWritten;
    const LIST: &'static str = "captures";

    fn check(_: usize, written: CaptureWritten) -> Result<Option<Self>, String> {
        let start = needed(written.start.as_ref(), "core:sample_start")?;
        Ok(Some(Self {
            start: start.whole("core:sample_start")?,
            global_index: whole(written.global_index.as_ref(), "core:global_index")?,
            header_bytes: whole(written.header_bytes.as_ref(), "core:header_bytes")?.unwrap_or(0),
            datetime: written.datetime.as_ref().map(datetime).transpose()?,
        }))
    }
}

/// RFC 3339 in UTC; digits beyond the nanosecond are cut.
fn datetime(written: &Scalar) -> Result<Timestamp, String> {
    let text = written.text("core:datetime")?;
    let whole = text.split_once('.').map_or_else(
        || text.to_owned(),
        |(seconds, rest)| {
            let digits = rest.len() - rest.trim_start_matches(|c: char| c.is_ascii_digit()).len();
            format!("{seconds}.{}{}", &rest[..digits.min(9)], &rest[digits..])
        },
    );
    whole.parse().map_err(|_| {
        format!("core:datetime is {}, must be like 2026-05-04T09:30:00Z", quoted(text))
    })
}

/// The value of a key that must be there.
pub(super) fn needed<'a>(written: Option<&'a Scalar>, key: &str) -> Result<&'a Scalar, String> {
    written.ok_or_else(|| format!("{key} is missing"))
}

/// A whole number that may be absent or null.
pub(super) fn whole(written: Option<&Scalar>, key: &str) -> Result<Option<u64>, String> {
    known(written).map(|value| value.whole(key)).transpose()
}

/// A value that is there and not null.
pub(super) fn known(written: Option<&Scalar>) -> Option<&Scalar> {
    written.filter(|value| **value != Scalar::Null)
}

/// The keys of an annotation that mean something here, in the order of the writer.
const ANNOTATION_KEYS: [&str; 14] = [
    "core:sample_start",
    "core:sample_count",
    "core:label",
    "simmer:pulse",
    "simmer:drive_mpa",
    "simmer:stage",
    "simmer:target",
    "simmer:exposure",
    "simmer:drive_setting",
    "simmer:trigger_offset",
    "simmer:time_ns",
    "simmer:lost_samples",
    "simmer:sham",
    "simmer:first_sample",
];

/// The values of one annotation, by their place in [`ANNOTATION_KEYS`].
pub(super) struct AnnotationWritten {
    values: [Option<Scalar>; ANNOTATION_KEYS.len()],
    unknown: Option<String>,
}

impl<'de> Deserialize<'de> for AnnotationWritten {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Keys;
        impl<'de> Visitor<'de> for Keys {
            type Value = AnnotationWritten;
            fn expecting(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                out.write_str("an annotation")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut read = AnnotationWritten { values: Default::default(), unknown: None };
                while let Some(key) = map.next_key::<String>()? {
                    if let Some(at) = ANNOTATION_KEYS.iter().position(|known| *known == key) {
                        if read.values[at].is_some() {
                            return Err(A::Error::custom(format!("{key} stands twice")));
                        }
                        read.values[at] = Some(map.next_value()?);
                        continue;
                    }
                    map.next_value::<IgnoredAny>()?;
                    if key.starts_with("simmer:") {
                        read.unknown = Some(key);
                    }
                }
                Ok(read)
            }
        }
        deserializer.deserialize_map(Keys)
    }
}

impl AnnotationWritten {
    fn get(&self, key: &str) -> Option<&Scalar> {
        let at = ANNOTATION_KEYS.iter().position(|known| *known == key)?;
        known(self.values[at].as_ref())
    }

    fn needed_whole(&self, key: &str) -> Result<u64, String> {
        needed(self.get(key), key)?.whole(key)
    }

    fn whole(&self, key: &str) -> Result<Option<u64>, String> {
        whole(self.get(key), key)
    }

    fn real(&self, key: &str) -> Result<Option<f64>, String> {
        self.get(key).map(|value| value.real(key)).transpose()
    }
}

impl Entry for Candidate {
    type Written = AnnotationWritten;
    const LIST: &'static str = "annotations";

    fn check(index: usize, written: AnnotationWritten) -> Result<Option<Self>, String> {
        if written.get("core:label") != Some(&Scalar::Text("pulse".to_owned())) {
            return Ok(None);
        }
        let start = written.needed_whole("core:sample_start")?;
        let samples = written.needed_whole("core:sample_count")?;
        Ok(Some(Self {
            place: Place::Annotation(index),
            start,
            samples,
            first: written.whole("simmer:first_sample")?,
            tag: tag(&written)?,
            unknown: written.unknown.map(|key| super::cues::suggest(&key, &ANNOTATION_KEYS)),
        }))
    }
}

fn tag(written: &AnnotationWritten) -> Result<PulseTag, String> {
    let number = needed(written.get("simmer:pulse"), "simmer:pulse")?.number("simmer:pulse")?;
    let time =
        written.get("simmer:time_ns").map(|time| time.number("simmer:time_ns")).transpose()?;
    let stage = needed(written.get("simmer:stage"), "simmer:stage")?;
    let stage =
        stage.text("simmer:stage").ok().and_then(Stage::from_name).ok_or_else(|| {
            format!("simmer:stage is {stage}, must be noise, baseline or exposure")
        })?;
    let drive_mpa = written.real("simmer:drive_mpa")?;
    if let Some(drive) = drive_mpa.filter(|drive| *drive < 0.0) {
        return Err(format!("simmer:drive_mpa is {drive}, must not be negative"));
    }
    let target = match written.get("simmer:target") {
        None => "",
        Some(target) => target.text("simmer:target")?,
    };
    check_target(target).map_err(|fault| format!("simmer:target {fault}"))?;
    let exposure = written.whole("simmer:exposure")?.unwrap_or(0);
    let exposure = u32::try_from(exposure)
        .map_err(|_| format!("simmer:exposure is {exposure}, must be below 2^32"))?;
    let sham = written.get("simmer:sham").map(|sham| sham.flag("simmer:sham")).transpose()?;
    Ok(PulseTag {
        number,
        first: SampleIndex(0),
        time: time.map(DeviceNanos),
        trigger_offset: written.whole("simmer:trigger_offset")?,
        drive_mpa,
        drive_setting: written.real("simmer:drive_setting")?,
        target: Arc::from(target),
        exposure: NonZeroU32::new(exposure),
        stage,
        sham: sham.unwrap_or(false),
        lost_samples: written.whole("simmer:lost_samples")?.unwrap_or(0),
    })
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::super::specimen::{annotation, meta, open_meta};
    use super::*;

    /// Opens a recording whose second annotation has one key changed.
    #[track_caller]
    fn check(key: &str, value: Value, fault: &str) {
        let mut meta = meta();
        let mut second = annotation(20, 10, 2);
        if value == json!("absent") {
            second.as_object_mut().unwrap().remove(key);
        } else {
            second[key] = value;
        }
        meta["annotations"] = json!([annotation(0, 10, 1), second]);
        let message = open_meta(&meta).unwrap_err();
        assert_eq!(message, format!("x.sigmf-meta: annotations[1]: {fault}"));
    }

    #[test]
    fn every_fault_of_a_pulse_names_annotation_key_and_value() {
        let absent = || json!("absent");
        check("simmer:pulse", absent(), "simmer:pulse is missing");
        check("simmer:stage", absent(), "simmer:stage is missing");
        check("core:sample_start", absent(), "core:sample_start is missing");
        check("core:sample_count", absent(), "core:sample_count is missing");
        check("simmer:pulse", json!("7"), "simmer:pulse is \"7\", must be a whole number");
        check("simmer:pulse", json!(-7), "simmer:pulse is -7, must not be negative");
        check(
            "simmer:pulse",
            json!(1.5),
            "simmer:pulse is 1.5, must be a whole number from 0 to 2^53",
        );
        check("simmer:pulse", json!(1), "simmer:pulse is 1 after 1, numbers must rise");
        check("simmer:pulse", json!(0), "simmer:pulse is 0 after 1, numbers must rise");
    }

    #[test]
    fn places_outside_the_data_or_on_another_pulse_are_faults() {
        check("core:sample_start", json!(100), "core:sample_start is 100, the data ends at 100");
        check("core:sample_start", json!(-1), "core:sample_start is -1, must not be negative");
        check(
            "core:sample_start",
            json!(u64::MAX),
            "core:sample_start is 18446744073709551615, must be below 2^53",
        );
        check(
            "core:sample_start",
            json!(9),
            "core:sample_start is 9, but pulse 1 reaches to 10, pulses may not overlap",
        );
        check(
            "core:sample_count",
            json!(0),
            "core:sample_count is 0, a pulse without lost samples has at least 1",
        );
        check(
            "simmer:first_sample",
            json!(21),
            "simmer:first_sample is 21, its first stored sample is 20",
        );
        check(
            "simmer:first_sample",
            json!(9),
            "simmer:first_sample is 9, the pulse before reaches to 10",
        );
    }

    #[test]
    fn words_and_numbers_out_of_their_range_are_faults() {
        check(
            "simmer:stage",
            json!("sonication"),
            "simmer:stage is \"sonication\", must be noise, baseline or exposure",
        );
        check(
            "simmer:stage",
            json!(["noise"]),
            "simmer:stage is a list, must be noise, baseline or exposure",
        );
        check("simmer:drive_mpa", json!(-0.5), "simmer:drive_mpa is -0.5, must not be negative");
        check(
            "simmer:drive_mpa",
            json!({}),
            "simmer:drive_mpa is an object, must be a finite number",
        );
        check("simmer:target", json!(3), "simmer:target is 3, must be a text");
        check(
            "simmer:target",
            json!("a\nb"),
            "simmer:target is \"a\\nb\", which holds the control character '\\n'",
        );
        check(
            "simmer:exposure",
            json!(4_294_967_296_u64),
            "simmer:exposure is 4294967296, must be below 2^32",
        );
        check("simmer:sham", json!(1), "simmer:sham is 1, must be true or false");
        check(
            "simmer:trigger_offset",
            json!(-1),
            "simmer:trigger_offset is -1, must not be negative",
        );
    }

    #[test]
    fn a_falling_start_is_named_with_the_one_before() {
        let mut meta = meta();
        meta["annotations"] = json!([annotation(50, 10, 1), annotation(20, 10, 2)]);
        let fault = "annotations[1]: core:sample_start is 20 after 50, pulses must be in order";
        assert_eq!(open_meta(&meta).unwrap_err(), format!("x.sigmf-meta: {fault}"));
    }

    #[test]
    fn device_time_must_not_run_back() {
        let mut meta = meta();
        let (mut first, mut second) = (annotation(0, 10, 1), annotation(10, 10, 2));
        (first["simmer:time_ns"], second["simmer:time_ns"]) = (json!(500), json!(499));
        meta["annotations"] = json!([first, second]);
        let fault = "annotations[1]: simmer:time_ns is 499 after 500, time must rise";
        assert_eq!(open_meta(&meta).unwrap_err(), format!("x.sigmf-meta: {fault}"));
    }

    #[test]
    fn every_key_of_a_pulse_is_read() {
        let mut meta = meta();
        meta["annotations"] = json!([{
            "core:sample_start": 10, "core:sample_count": 80.0, "core:label": "pulse",
            "core:comment": "passed over", "simmer:pulse": 7, "simmer:drive_mpa": 0.4,
            "simmer:stage": "exposure", "simmer:target": "tube", "simmer:exposure": 3,
            "simmer:drive_setting": -12.5, "simmer:trigger_offset": 5,
            "simmer:time_ns": 123, "simmer:lost_samples": 2, "simmer:sham": true,
        }]);
        let pulse = open_meta(&meta).unwrap().pulses.remove(0);
        assert_eq!((pulse.start, pulse.samples, pulse.stored), (10, 80, 80));
        let tag = PulseTag {
            number: 7,
            first: SampleIndex(10),
            time: Some(DeviceNanos(123)),
            trigger_offset: Some(5),
            drive_mpa: Some(0.4),
            drive_setting: Some(-12.5),
            target: Arc::from("tube"),
            exposure: NonZeroU32::new(3),
            stage: Stage::Exposure,
            sham: true,
            lost_samples: 2,
        };
        assert_eq!(*pulse.tag, tag);
    }

    #[test]
    fn an_unknown_drive_and_exposure_stay_unknown() {
        let mut meta = meta();
        let mut pulse = annotation(0, 10, 1);
        (pulse["simmer:drive_mpa"], pulse["simmer:exposure"]) = (Value::Null, json!(0));
        meta["annotations"] = json!([pulse]);
        let pulse = open_meta(&meta).unwrap().pulses.remove(0);
        assert_eq!((pulse.tag.drive_mpa, pulse.tag.exposure), (None, None));
    }

    #[test]
    fn a_misspelt_key_of_ours_is_warned_of_once_with_what_was_meant() {
        let mut meta = meta();
        let (mut first, mut second) = (annotation(0, 10, 1), annotation(10, 10, 2));
        (first["simmer:drive_MPA"], second["simmer:drive_MPA"]) = (json!(1), json!(1));
        meta["annotations"] = json!([first, second]);
        let warning = "annotations[0]: unknown name \"simmer:drive_MPA\", did you mean \
                       simmer:drive_mpa?; it is passed over";
        assert_eq!(open_meta(&meta).unwrap().warnings, [warning]);
    }

    #[test]
    fn annotations_with_another_label_are_passed_over() {
        let mut meta = meta();
        meta["annotations"] = json!([{"core:sample_start": "nonsense", "core:label": "note"}]);
        let recording = open_meta(&meta).unwrap();
        assert!(recording.pulses.is_empty());
        let warning = "no pulses: no annotation with core:label pulse and no cue list";
        assert_eq!(recording.warnings, [warning]);
    }

    #[test]
    fn a_pulse_that_ends_beyond_the_data_is_cut_short_with_a_warning() {
        let mut meta = meta();
        meta["annotations"] = json!([annotation(90, 30, 4)]);
        let recording = open_meta(&meta).unwrap();
        let warning =
            "annotations[0]: pulse 4 reaches to sample 120, the data ends at 100: it is cut short";
        assert_eq!(recording.warnings, [warning]);
        assert_eq!((recording.pulses[0].samples, recording.pulses[0].stored), (30, 10));
    }

    #[test]
    fn digits_beyond_the_nanosecond_are_cut_from_a_time() {
        let written = Scalar::Text("2026-05-04T09:30:00.123456789999Z".to_owned());
        let time: Timestamp = "2026-05-04T09:30:00.123456789Z".parse().unwrap();
        assert_eq!(datetime(&written), Ok(time));
    }

    #[test]
    fn a_time_without_a_zone_is_refused() {
        let fault = datetime(&Scalar::Text("2026-05-04 09:30".to_owned())).unwrap_err();
        let expected = "core:datetime is \"2026-05-04 09:30\", must be like 2026-05-04T09:30:00Z";
        assert_eq!(fault, expected);
    }
}
