//! The page's files: those in the program, or a folder read anew with each request.

use std::borrow::Cow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::body::Body;
use axum::extract::{Query, Request, State};
use axum::http::{HeaderValue, Method, StatusCode, header, request};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::guard::Guard;
use super::problem::Problem;
use super::routes::Room;

/// Largest file of a folder that is served, bytes.
const MOST_BYTES: u64 = 16 << 20;

/// Where the page's files are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Web {
    /// In the program.
    Embedded,
    /// In this folder, read with each request.
    Folder(PathBuf),
}

macro_rules! embedded {
    ($($name:literal),* $(,)?) => {
        /// The files of the page as they were when the program was built.
        const EMBEDDED: &[(&str, &[u8])] =
            &[$(($name, include_bytes!(concat!("../../web/", $name)))),*];
    };
}

embedded!(
    "acts.js",
    "alarms.js",
    "cividis.js",
    "colours.js",
    "columns.js",
    "details.js",
    "dialogs.js",
    "exposure_strip.js",
    "feed.js",
    "format.js",
    "heartbeat.js",
    "icon.svg",
    "index.html",
    "keys.js",
    "main.js",
    "marks.js",
    "now.js",
    "present.js",
    "pulse_list.js",
    "row_painter.js",
    "shapes.js",
    "sound.js",
    "spectra.js",
    "spectrum_plot.js",
    "spectrum_source.js",
    "store.js",
    "style.css",
    "together.js",
    "tones.js",
    "tuning.js",
    "tuning_plots.js",
    "tuning_view.js",
    "tuning_words.js",
);

/// Everything that no route names: a file of the page, or nothing.
pub(super) async fn file(
    State(room): State<Arc<Room>>,
    request: Request,
) -> Result<Response, Problem> {
    let path = request.uri().path();
    let name = match path.strip_prefix('/').unwrap_or(path) {
        "" => "index.html",
        name => name,
    };
    let nothing = || Problem::not_found(format!("there is nothing at {path}"));
    let kind = kind(name).filter(|_| is_plain(name)).ok_or_else(nothing)?;
    let bytes = match &room.web {
        Web::Embedded => EMBEDDED
            .iter()
            .find(|(known, _)| *known == name)
            .map(|(_, bytes)| Cow::Borrowed(*bytes)),
        Web::Folder(folder) => {
            let file = folder.join(name);
            let reading = tokio::task::spawn_blocking(move || read(&file));
            reading.await.ok().flatten().map(Cow::Owned)
        }
    };
    let bytes = bytes.ok_or_else(nothing)?;
    if *request.method() != Method::GET && *request.method() != Method::HEAD {
        let detail = format!("{} is not possible on {path}", request.method());
        // RFC 9110 §15.5.6: a 405 says what is possible.
        return Err(Problem::new(StatusCode::METHOD_NOT_ALLOWED, detail)
            .with(header::ALLOW, HeaderValue::from_static("GET,HEAD")));
    }
    Ok(([(header::CONTENT_TYPE, kind)], Body::from(bytes)).into_response())
}

/// Names with nothing in them that could lead out of a folder.
fn is_plain(name: &str) -> bool {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'.' | b'-' | b'_');
    name.split('/')
        .all(|part| !part.is_empty() && !part.starts_with('.') && part.bytes().all(plain))
}

fn kind(name: &str) -> Option<&'static str> {
    let (_, ending) = name.rsplit_once('.')?;
    Some(match ending {
        "html" => "text/html; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "ico" => "image/x-icon",
        "json" => "application/json",
        "woff2" => "font/woff2",
        "txt" => "text/plain; charset=utf-8",
        _ => return None,
    })
}

fn read(file: &Path) -> Option<Vec<u8>> {
    let about = std::fs::metadata(file).ok()?;
    (about.is_file() && about.len() <= MOST_BYTES).then(|| std::fs::read(file).ok())?
}

#[derive(Debug, Deserialize)]
struct Entering {
    token: Option<String>,
}

/// A page that comes with the token in its address is sent to `/` with a cookie instead.
pub(super) fn entered(
    request: &request::Parts,
    guard: &Guard,
) -> Option<Result<Response, Problem>> {
    if request.method != Method::GET || request.uri.path() != "/" {
        return None;
    }
    let Query(Entering { token }) = Query::try_from_uri(&request.uri).ok()?;
    let cookie = guard.cookie_for(&token?)?;
    Some(cookie.map(|cookie| {
        let headers =
            [(header::SET_COOKIE, cookie), (header::LOCATION, HeaderValue::from_static("/"))];
        (StatusCode::SEE_OTHER, headers).into_response()
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_of_the_page_is_in_the_program() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("web");
        let mut there: Vec<String> = std::fs::read_dir(&folder)
            .unwrap()
            .map(|entry| entry.unwrap())
            .filter(|entry| entry.path().is_file())
            .map(|entry| entry.file_name().into_string().unwrap())
            // What only the page's tests need has no part in it.
            .filter(|name| kind(name).is_some() && name != "package.json")
            .collect();
        there.sort();
        let embedded: Vec<&str> = EMBEDDED.iter().map(|(name, _)| *name).collect();
        assert_eq!(embedded, there);
    }

    #[test]
    fn names_lead_nowhere_else() {
        for good in ["index.html", "parts/one-two_3.js", "a"] {
            assert!(is_plain(good), "{good}");
        }
        for bad in
            ["", "..", "../a.js", "a/../b.js", "/a.js", "a//b.js", ".a.js", "a b.js", "%2e", "a\\b"]
        {
            assert!(!is_plain(bad), "{bad}");
        }
    }
}
