//! Who may ask, and the page's files.

use super::client::{ask, get, raw};
use super::{Rig, facts};
use crate::serve::{Hub, Web};

#[tokio::test]
async fn only_addresses_and_localhost_are_hosts() {
    let rig = Rig::new().await;
    for host in
        ["127.0.0.1", "127.0.0.1:1", "127.9.9.9:80", "localhost", "LOCALHOST:8787", "[::1]:8"]
    {
        let answer = ask(rig.address, "GET", "/healthz", &format!("Host: {host}\r\n"), "").await;
        assert_eq!(answer.status, 200, "{host}");
    }
    // RFC 9110 §15.5.20: a request for someone else is misdirected.
    for host in
        ["bench.example", "192.168.1.5", "[2001:db8::1]", "localhost.example", "127.0.0.1:x"]
    {
        let answer = ask(rig.address, "GET", "/healthz", &format!("Host: {host}\r\n"), "").await;
        answer.is_problem(421);
    }
    // RFC 9112 §3.2: no Host or two are a bad request.
    let none = raw(rig.address, b"GET /healthz HTTP/1.1\r\nConnection: close\r\n\r\n").await;
    none.is_problem(400);
    let two = "Host: 127.0.0.1\r\nHost: localhost\r\n";
    ask(rig.address, "GET", "/healthz", two, "").await.is_problem(400);
    let request = b"GET http://bench.example/healthz HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n";
    raw(rig.address, request).await.is_problem(400);
}

#[tokio::test]
async fn another_sites_page_is_refused() {
    let rig = Rig::new().await;
    let ours = format!("Origin: http://{}\r\n", rig.address);
    let body = r#"{"mark":"pause"}"#;
    assert_eq!(ask(rig.address, "POST", "/api/v1/marks", &ours, body).await.status, 202);
    let upgrade = "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n\
                   Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n";
    let other_port = format!("http://127.0.0.1:{}", rig.address.port() ^ 1);
    let other_scheme = format!("https://{}", rig.address);
    for origin in ["null", "http://bench.example", &other_port, &other_scheme] {
        let origin = format!("Origin: {origin}\r\n");
        ask(rig.address, "POST", "/api/v1/marks", &origin, body).await.is_problem(403);
        ask(rig.address, "GET", "/api/v1/status", &origin, "").await.is_problem(403);
        let both = format!("{origin}{upgrade}");
        ask(rig.address, "GET", "/api/v1/live", &both, "").await.is_problem(403);
    }
}

#[tokio::test]
async fn a_token_opens_by_header_or_cookie() {
    let hub = Hub::new(facts(), None, 0);
    let rig = Rig::with(hub, Some("s3cret token"), Web::Embedded).await;
    let address = rig.address;
    assert_eq!(get(address, "/healthz").await.status, 200);
    for path in ["/", "/main.js", "/metrics", "/readyz", "/api/v1/status", "/api/v1/nothing"] {
        let answer = get(address, path).await;
        answer.is_problem(401);
        // RFC 9110 §11.6.1: a 401 says how to authenticate.
        assert_eq!(answer.header("www-authenticate"), Some("Bearer"), "{path}");
    }
    for (header, status) in [
        ("Authorization: Bearer s3cret token\r\n", 200),
        ("authorization: bearer s3cret token\r\n", 200),
        ("Authorization: Bearer s3cret\r\n", 401),
        ("Authorization: Bearer s3cret token2\r\n", 401),
        ("Authorization: Basic s3cret token\r\n", 401),
        ("Authorization: Bearer\r\n", 401),
        ("Cookie: simmer_token=\r\n", 401),
        ("Cookie: simmer_token=s3cret token\r\n", 401),
    ] {
        let answer = ask(address, "GET", "/api/v1/status", header, "").await;
        assert_eq!(answer.status, status, "{header}");
    }
    get(address, "/?token=wrong").await.is_problem(401);
    let entered = get(address, "/?token=s3cret%20token").await;
    assert_eq!((entered.status, entered.header("location")), (303, Some("/")));
    let cookie = entered.header("set-cookie").unwrap();
    let (pair, attributes) = cookie.split_once("; ").unwrap();
    assert_eq!(attributes, "HttpOnly; SameSite=Strict; Path=/");
    assert!(!cookie.contains("s3cret"), "the cookie does not show the token");
    let header = format!("Cookie: a=b; {pair}; c=d\r\n");
    assert_eq!(ask(address, "GET", "/", &header, "").await.status, 200);
    // A wrong Host or Origin gets no cookie either.
    let headers = "Host: bench.example\r\n";
    let answer = ask(address, "GET", "/?token=s3cret%20token", headers, "").await;
    answer.is_problem(421);
    assert_eq!(answer.header("set-cookie"), None);
}

#[tokio::test]
async fn every_answer_has_the_protecting_headers() {
    let rig = Rig::new().await;
    for path in ["/", "/api/v1/status", "/api/v1/nothing", "/metrics"] {
        let answer = get(rig.address, path).await;
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"), "{path}");
        assert_eq!(answer.header("referrer-policy"), Some("no-referrer"), "{path}");
        assert_eq!(answer.header("cache-control"), Some("no-store"), "{path}");
        let policy = answer.header("content-security-policy").unwrap();
        assert!(policy.starts_with("default-src 'self'; "), "{policy}");
        assert!(policy.contains(&format!("connect-src 'self' ws://{};", rig.address)), "{policy}");
    }
}

#[tokio::test]
async fn the_page_comes_out_of_the_program() {
    let rig = Rig::new().await;
    let page = get(rig.address, "/").await;
    assert_eq!(page.header("content-type"), Some("text/html; charset=utf-8"));
    assert_eq!(page.text(), include_str!("../../../web/index.html"));
    let script = get(rig.address, "/main.js").await;
    assert_eq!(script.header("content-type"), Some("text/javascript; charset=utf-8"));
    let head = ask(rig.address, "HEAD", "/main.js", "", "").await;
    assert_eq!((head.status, head.body.len()), (200, 0));
}

#[tokio::test]
async fn nothing_outside_a_folder_is_served() {
    let folder = tempfile::tempdir().unwrap();
    let web = folder.path().join("web");
    std::fs::create_dir_all(web.join("parts")).unwrap();
    std::fs::create_dir_all(web.join("dir.js")).unwrap();
    std::fs::write(web.join("index.html"), "first").unwrap();
    std::fs::write(web.join("parts").join("one.js"), "part").unwrap();
    std::fs::write(web.join(".hidden.js"), "hidden").unwrap();
    std::fs::write(web.join("plain"), "no ending").unwrap();
    std::fs::write(folder.path().join("outside.js"), "outside").unwrap();
    let rig = Rig::with(Hub::new(facts(), None, 0), None, Web::Folder(web.clone())).await;
    assert_eq!(get(rig.address, "/").await.text(), "first");
    assert_eq!(get(rig.address, "/parts/one.js").await.text(), "part");
    std::fs::write(web.join("index.html"), "second").unwrap();
    assert_eq!(get(rig.address, "/index.html").await.text(), "second");
    let outside = folder.path().join("outside.js");
    let absolute = format!("/{}", outside.display());
    for path in [
        "/../outside.js",
        "/parts/../../outside.js",
        "/%2e%2e/outside.js",
        "/..%2foutside.js",
        "/..\\outside.js",
        "//outside.js",
        "/.hidden.js",
        "/plain",
        "/dir.js",
        "/main.js",
        &absolute,
    ] {
        get(rig.address, path).await.is_problem(404);
    }
}
