//! The rooms of the house: which there are, and that the pure ones stay pure.

use std::path::{Path, PathBuf};

/// Every room of the library, as `src/lib.rs` declares them.
const ROOMS: [&str; 12] = [
    "bench", "commands", "config", "detect", "engine", "ingest", "report", "serve", "session",
    "signal", "stats", "tune",
];

/// Rooms without files, sockets, threads, clocks and serialisation.
const PURE: [&str; 5] = ["bench", "detect", "signal", "stats", "tune"];

/// What a pure room never names.
const FORBIDDEN: [&str; 7] =
    ["tokio", "axum", "serde", "std::fs", "std::net", "std::thread", "::now()"];

fn source() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

/// Every Rust file below a folder, tests left out.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("the folder can be listed") {
        let path = entry.expect("an entry can be read").path();
        if path.file_stem().is_some_and(|stem| stem == "tests") {
            continue;
        }
        if path.is_dir() {
            found.extend(files(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
    found
}

/// Lines with something forbidden, before the tests at the foot of a file.
fn hits(text: &str) -> Vec<(usize, &str)> {
    let code = text.lines().take_while(|line| line.trim() != "#[cfg(test)]");
    code.enumerate()
        .filter(|(_, line)| FORBIDDEN.iter().any(|word| line.contains(word)))
        .map(|(at, line)| (at + 1, line))
        .collect()
}

fn declared() -> Vec<String> {
    let text = std::fs::read_to_string(source().join("lib.rs")).expect("src/lib.rs is there");
    let modules = text.lines().filter_map(|line| line.trim().strip_prefix("pub mod "));
    modules.map(|name| name.trim_end_matches(';').to_owned()).collect()
}

#[test]
fn every_room_is_there_and_declared() {
    let declared = declared();
    for room in ROOMS {
        assert!(declared.iter().any(|name| name == room), "{room} is not in lib.rs");
        assert!(source().join(room).join("mod.rs").is_file(), "src/{room}/mod.rs is missing");
    }
}

#[test]
fn pure_rooms_name_no_file_socket_thread_or_clock() {
    let mut looked_at = 0;
    for room in PURE {
        for path in files(&source().join(room)) {
            let text = std::fs::read_to_string(&path).unwrap();
            assert_eq!(hits(&text), [], "{}", path.display());
            looked_at += 1;
        }
    }
    assert!(looked_at > 30, "only {looked_at} files were looked at");
}

#[test]
fn the_search_finds_what_it_looks_for() {
    let text = "//! Pure.\nuse std::fs::File;\nlet t = Instant::now();\n#[cfg(test)]\nuse std::net::Ipv4Addr;\n";
    let found: Vec<usize> = hits(text).into_iter().map(|(line, _)| line).collect();
    assert_eq!(found, [2, 3]);
    let ingest = files(&source().join("ingest"));
    let impure = ingest.iter().filter(|path| {
        let text = std::fs::read_to_string(path).unwrap();
        !hits(&text).is_empty()
    });
    assert!(impure.count() > 3);
}
