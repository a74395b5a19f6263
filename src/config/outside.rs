//! Reads what no calculation needs: `[session]`, `[serve]`, `[record]`.

use std::net::SocketAddr;
use std::path::PathBuf;

use super::bounds::Bounds;
use super::field::Field;
use super::settings::{RecordSettings, ServeSettings, SessionNotes};
use super::written::Section;

/// Longest path, characters.
pub(super) const PATH_CHARS: usize = 4096;
/// Most memory for kept spectra, bytes: 1 TiB.
const MOST_KEPT_BYTES: u64 = 1 << 40;

/// Largest number of bytes that is asked for: 1 PiB.
const MOST_BYTES: u64 = 1 << 50;
/// A file of samples goes on in the next one from 4 GiB on.
const ROTATE_BYTES: u64 = 4 << 30;
/// Recording stops with 1 GiB free.
const KEEP_FREE_BYTES: u64 = 1 << 30;

/// The table `[session]`, which may be left out.
pub(super) fn session(top: &Section<'_, '_>) -> SessionNotes {
    let Some(field) = top.optional("session") else { return SessionNotes::default() };
    let session = field.section();
    let text = |key| session.optional(key).and_then(|field| field.text());
    let number = |key, bounds| session.optional(key).and_then(|field| field.number(bounds));
    let notes = SessionNotes {
        subject: text("subject"),
        operator: text("operator"),
        agent: text("agent"),
        water_temperature_c: number("water_temperature_c", Bounds::FINITE),
        dissolved_oxygen_mg_per_l: number("dissolved_oxygen_mg_per_l", Bounds::at_least(0.0)),
        notes: text("notes"),
    };
    session.finish();
    notes
}

/// The table `[serve]`, which may be left out.
pub(super) fn serve(top: &Section<'_, '_>) -> Option<ServeSettings> {
    let serve = top.optional("serve")?.section();
    let address = |key| serve.optional(key).and_then(|field| socket_address(&field));
    let path = |key| {
        let text = serve.optional(key).and_then(|field| field.line(PATH_CHARS));
        text.map(PathBuf::from)
    };
    let settings = ServeSettings {
        http: address("http"),
        stream: address("stream"),
        stream_unix: path("stream_unix"),
        token_file: path("token_file"),
        spectra_kept_bytes: serve
            .optional("spectra_kept_bytes")
            .and_then(|field| field.whole(0..=MOST_KEPT_BYTES)),
    };
    guard(&serve, &settings);
    serve.finish();
    Some(settings)
}

/// The table `[record]`, which may be left out.
pub(super) fn record(top: &Section<'_, '_>) -> Option<RecordSettings> {
    let record = top.optional("record")?.section();
    let raw = record.required("raw").and_then(|field| field.boolean());
    let bytes = |key, least, usual| match record.optional(key) {
        Some(field) => field.whole(least..=MOST_BYTES),
        None => Some(usual),
    };
    let rotate_bytes = bytes("rotate_bytes", 1 << 20, ROTATE_BYTES);
    let keep_free_bytes = bytes("keep_free_bytes", 0, KEEP_FREE_BYTES);
    record.finish();
    Some(RecordSettings {
        raw: raw?,
        rotate_bytes: rotate_bytes?,
        keep_free_bytes: keep_free_bytes?,
    })
}

/// ADDR:PORT with a numeric address: a name could come to mean another machine.
fn socket_address(field: &Field<'_, '_>) -> Option<SocketAddr> {
    let text = field.text()?;
    let address = text.parse();
    if let Ok(address) = address {
        return Some(address);
    }
    let help = match text.rsplit_once(':') {
        Some((name, port)) if !name.is_empty() && port.parse::<u16>().is_ok() => {
            format!("write the address in numbers, such as \"127.0.0.1:{port}\"")
        }
        _ => "such as \"127.0.0.1:8787\", or \"[::1]:8787\"".to_owned(),
    };
    field.fault("must be ADDR:PORT with the address in numbers", Some(&help))
}

/// Whoever can be reached from other machines needs a token, and two services two ports.
fn guard(serve: &Section<'_, '_>, settings: &ServeSettings) {
    let listeners = [("http", settings.http), ("stream", settings.stream)];
    for (key, address) in listeners {
        let open = address.filter(|address| !address.ip().is_loopback());
        if let (Some(address), false) = (open, serve.has("token_file")) {
            let message = format!(
                "`serve.{key}` is {address}, which other machines can reach, without `token_file`"
            );
            let help = "name a token_file, or listen on 127.0.0.1";
            let path = serve.path_of(key);
            let places = [(path.as_str(), "needs a token")];
            serve.written().say(super::Level::Fault, message, &places, Some(help));
        }
    }
    if let (Some(http), Some(stream)) = (settings.http, settings.stream)
        && http == stream
        && http.port() != 0
    {
        let message = format!("`serve.stream` is {stream}, the address of `serve.http`");
        let places = [("serve.stream", "taken"), ("serve.http", "first here")];
        serve.written().fault(message, &places);
    }
}
