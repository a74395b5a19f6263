//! Who may ask: `Host`, `Origin` and token.
//!
//! A page of another site can make a browser send requests here: by its own name made to point at this
//! machine (its `Host` then is that name, so only addresses and `localhost` are let in), or across
//! origins (its `Origin` then is not ours). Anything but loopback needs a token.

use std::net::{IpAddr, SocketAddr};

use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header, request};
use sha2::{Digest, Sha256};

use super::problem::Problem;

/// The cookie that stands for the token.
pub(super) const COOKIE: &str = "simmer_token";

/// Checks every request.
#[derive(Debug, Clone)]
pub struct Guard {
    loopback: bool,
    /// SHA-256 of the token, so that comparing takes the same time whatever comes.
    token: Option<[u8; 32]>,
}

impl Guard {
    /// A guard for what listens at `listen`. Without a token nothing but loopback is let in.
    #[must_use]
    pub fn new(listen: SocketAddr, token: Option<String>) -> Self {
        let token = token.map(|token| Sha256::digest(token).into());
        Self { loopback: listen.ip().is_loopback(), token }
    }

    /// Whether a request is meant for us and comes from our page or from no page; its `Host` then.
    pub(super) fn place(&self, request: &request::Parts) -> Result<String, Problem> {
        let host = self.host(&request.headers, &request.uri)?;
        origin(&request.headers, &host)?;
        Ok(host)
    }

    /// Whether the request shows the token, where one is needed.
    pub(super) fn admit(&self, request: &request::Parts) -> Result<(), Problem> {
        if request.uri.path() == "/healthz" { Ok(()) } else { self.token(&request.headers) }
    }

    /// RFC 9112 §3.2: exactly one `Host`, else 400; RFC 9110 §15.5.20: 421 when it is not ours.
    fn host(&self, headers: &HeaderMap, uri: &Uri) -> Result<String, Problem> {
        let mut hosts = headers.get_all(header::HOST).iter();
        let (Some(host), None) = (hosts.next(), hosts.next()) else {
            return Err(Problem::bad("a request needs exactly one Host"));
        };
        let host = host.to_str().map_err(|_| Problem::bad("Host is not readable"))?;
        if uri.authority().is_some_and(|authority| !authority.as_str().eq_ignore_ascii_case(host)) {
            return Err(Problem::bad("Host differs from the request's target"));
        }
        let misdirected = |detail: &str| Problem::new(StatusCode::MISDIRECTED_REQUEST, detail);
        match named(host) {
            Some(Named::Localhost) => Ok(host.to_owned()),
            Some(Named::Address(ip)) if self.loopback && !ip.is_loopback() => {
                Err(misdirected("Host must be a loopback address or localhost"))
            }
            Some(Named::Address(_)) => Ok(host.to_owned()),
            None => Err(misdirected("Host must be an IP address or localhost")),
        }
    }

    fn token(&self, headers: &HeaderMap) -> Result<(), Problem> {
        let Some(token) = &self.token else {
            return if self.loopback {
                Ok(())
            } else {
                Err(unauthorised("anything but loopback needs a token and none is configured"))
            };
        };
        let bearer = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
        if let Some(bearer) = bearer {
            // RFC 9110 §11.1: the scheme's name has no case.
            let (scheme, given) = bearer.split_once(' ').unwrap_or((bearer, ""));
            let given: [u8; 32] = Sha256::digest(given.trim()).into();
            return if scheme.eq_ignore_ascii_case("bearer") && same(&given, token) {
                Ok(())
            } else {
                Err(unauthorised("the token is not the configured one"))
            };
        }
        let expected = cookie_value(token);
        let expected: [u8; 32] = Sha256::digest(expected).into();
        let known = cookies(headers).any(|(name, value)| {
            let given: [u8; 32] = Sha256::digest(value).into();
            name == COOKIE && same(&given, &expected)
        });
        if known { Ok(()) } else { Err(unauthorised("a token is needed")) }
    }

    /// The cookie for a page that came with the token in its address; nothing without a token.
    pub(super) fn cookie_for(&self, given: &str) -> Option<Result<HeaderValue, Problem>> {
        let token = self.token.as_ref()?;
        let digest: [u8; 32] = Sha256::digest(given).into();
        if !same(&digest, token) {
            return Some(Err(unauthorised("the token is not the configured one")));
        }
        let cookie = format!("{COOKIE}={}; HttpOnly; SameSite=Strict; Path=/", cookie_value(token));
        let cookie = HeaderValue::from_str(&cookie);
        Some(cookie.map_err(|_| Problem::bad("the token fits no cookie")))
    }
}

/// What a `Host` names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Named {
    Localhost,
    Address(IpAddr),
}

/// An address or `localhost`, with or without a port; RFC 3986 §3.2.2 puts IPv6 into brackets.
fn named(host: &str) -> Option<Named> {
    let (name, port) = match host.strip_prefix('[') {
        Some(rest) => {
            let (address, rest) = rest.split_once(']')?;
            let port = match rest {
                "" => None,
                rest => Some(rest.strip_prefix(':')?),
            };
            return port
                .is_none_or(is_port)
                .then_some(Named::Address(IpAddr::V6(address.parse().ok()?)));
        }
        None => match host.split_once(':') {
            Some((name, port)) => (name, Some(port)),
            None => (host, None),
        },
    };
    if !port.is_none_or(is_port) {
        return None;
    }
    if name.eq_ignore_ascii_case("localhost") {
        return Some(Named::Localhost);
    }
    name.parse().ok().map(|address| Named::Address(IpAddr::V4(address)))
}

fn is_port(port: &str) -> bool {
    port.bytes().all(|byte| byte.is_ascii_digit()) && port.parse::<u16>().is_ok()
}

/// Without an `Origin` no browser sent a request that could do harm.
fn origin(headers: &HeaderMap, host: &str) -> Result<(), Problem> {
    let mut origins = headers.get_all(header::ORIGIN).iter();
    let ours = format!("http://{host}");
    let is_ours = |origin: &HeaderValue| origin.as_bytes() == ours.as_bytes();
    if origins.all(is_ours) {
        Ok(())
    } else {
        Err(Problem::new(StatusCode::FORBIDDEN, "Origin is not this page"))
    }
}

fn cookies(headers: &HeaderMap) -> impl Iterator<Item = (&str, &str)> {
    let lines = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    lines.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='))
}

/// What the cookie holds: not the token, and of characters that every cookie may hold.
fn cookie_value(token: &[u8; 32]) -> String {
    let mut hash = Sha256::new();
    hash.update(b"simmer page ");
    hash.update(token);
    let digits = hash.finalize().into_iter().flat_map(|byte| [byte >> 4, byte & 0xf]);
    digits.filter_map(|digit| char::from_digit(u32::from(digit), 16)).collect()
}

/// Compares in the same time whatever differs.
fn same(a: &[u8; 32], b: &[u8; 32]) -> bool {
    let differing = a.iter().zip(b).fold(0, |differing, (a, b)| differing | (a ^ b));
    std::hint::black_box(differing) == 0
}

/// RFC 9110 §11.6.1: a 401 says how to authenticate.
fn unauthorised(detail: &str) -> Problem {
    Problem::new(StatusCode::UNAUTHORIZED, detail)
        .with(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guard(listen: &str, token: Option<&str>) -> Guard {
        Guard::new(listen.parse().unwrap(), token.map(str::to_owned))
    }

    fn parts(host: &str) -> request::Parts {
        let request = axum::http::Request::builder().header(header::HOST, host);
        request.body(()).unwrap().into_parts().0
    }

    #[track_caller]
    fn check(host: &str, expected: Option<Named>) {
        assert_eq!(named(host), expected, "{host}");
    }

    #[test]
    fn a_host_is_an_address_or_localhost() {
        let address = |text: &str| Some(Named::Address(text.parse().unwrap()));
        check("localhost", Some(Named::Localhost));
        check("LocalHost:65535", Some(Named::Localhost));
        check("10.0.0.7:80", address("10.0.0.7"));
        // RFC 3986 §3.2.2: brackets hold IPv6
        check("[::1]", address("::1"));
        check("[fe80::1]:8787", address("fe80::1"));
        for odd in ["", ":80", "::1", "[::1", "[::1]x", "[127.0.0.1]", "127.0.0.1:", "127.1", "1"] {
            // RFC 9110 §4.2.3 and RFC 3986 §3.2.3 let a port be empty; no browser sends that.
            check(odd, None);
        }
        for port in ["localhost:65536", "localhost:+1", "localhost:80:80", "localhost.", "a.b"] {
            check(port, None);
        }
    }

    #[test]
    fn another_machines_address_is_only_for_who_listens_there() {
        assert!(guard("127.0.0.1:1", None).place(&parts("10.0.0.7:1")).is_err());
        assert!(guard("[::1]:1", None).place(&parts("127.0.0.1:1")).is_ok());
        assert!(guard("0.0.0.0:1", Some("t")).place(&parts("10.0.0.7:1")).is_ok());
        assert!(guard("0.0.0.0:1", Some("t")).place(&parts("bench.example")).is_err());
    }

    #[test]
    fn without_a_token_nothing_but_loopback_is_let_in() {
        assert!(guard("127.0.0.1:1", None).admit(&parts("127.0.0.1")).is_ok());
        assert!(guard("0.0.0.0:1", None).admit(&parts("127.0.0.1")).is_err());
        assert!(guard("0.0.0.0:1", Some("t")).admit(&parts("127.0.0.1")).is_err());
    }

    #[test]
    fn equal_is_equal_in_every_byte() {
        let a = [7; 32];
        assert!(same(&a, &a));
        for place in 0..32 {
            let mut b = a;
            b[place] ^= 1;
            assert!(!same(&a, &b));
        }
    }
}
