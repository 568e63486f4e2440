//! Logins on the page: a random word in a cookie, and another that every form carries.
//!
//! Owns sessions in memory; a restart ends them all. A session is no better than the token it was opened with: it ends with it.
//! Only the hash of the cookie's word is kept.

use super::tokens::random_word;
use crate::hash::sha256;
use axum::http::{HeaderMap, HeaderValue, header};
use std::collections::BTreeMap;
use std::io;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// The cookie's name.
const COOKIE: &str = "calwright_session";

/// A session ends so long after it was opened, and earlier when it is not used: a working day, and a long lunch.
const LONGEST: Duration = Duration::from_secs(12 * 3600);
const UNUSED: Duration = Duration::from_secs(3 * 3600);

/// Most sessions at once; the one longest unused makes room.
const MOST: usize = 1000;

/// A login.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    /// Hash of the token it was opened with.
    pub token: String,
    /// The word that forms carry, so that no other page can send them.
    pub csrf: String,
}

#[derive(Debug)]
struct Held {
    session: Session,
    opened: Instant,
    used: Instant,
}

/// All logins.
#[derive(Debug, Default)]
pub struct Sessions(Mutex<BTreeMap<String, Held>>);

impl Sessions {
    /// Opens a session for the holder of a token, and returns the cookie's word.
    ///
    /// # Errors
    /// Where the operating system gives no randomness.
    pub fn open(&self, token: &str) -> io::Result<String> {
        let word = random_word()?;
        let now = Instant::now();
        let session = Session { token: sha256(token.as_bytes()), csrf: random_word()? };
        let mut held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        held.retain(|_, h| !h.is_over(now));
        if held.len() >= MOST
            && let Some(oldest) = held.iter().min_by_key(|(_, h)| h.used).map(|(word, _)| word.clone())
        {
            held.remove(&oldest);
        }
        held.insert(sha256(word.as_bytes()), Held { session, opened: now, used: now });
        Ok(word)
    }

    /// The session that these headers' cookie opens.
    #[must_use]
    pub fn of(&self, headers: &HeaderMap) -> Option<Session> {
        let now = Instant::now();
        let key = sha256(word_of(headers)?.as_bytes());
        let mut held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let found = held.get_mut(&key)?;
        if found.is_over(now) {
            held.remove(&key);
            return None;
        }
        found.used = now;
        Some(found.session.clone())
    }

    /// Ends the session that these headers' cookie opens.
    pub fn close(&self, headers: &HeaderMap) {
        if let Some(word) = word_of(headers) {
            let mut held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
            held.remove(&sha256(word.as_bytes()));
        }
    }
}

impl Held {
    fn is_over(&self, now: Instant) -> bool {
        now.duration_since(self.opened) > LONGEST || now.duration_since(self.used) > UNUSED
    }
}

/// The session's word among all cookies.
fn word_of(headers: &HeaderMap) -> Option<&str> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|line| line.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find_map(|(name, word)| (name == COOKIE).then_some(word))
}

/// The header that gives a browser the cookie: for this site only, out of reach of scripts, over TLS only where there is TLS.
/// Without a word it takes the cookie away.
#[must_use]
pub fn cookie(word: Option<&str>, tls: bool) -> HeaderValue {
    let age = if word.is_some() { LONGEST.as_secs() } else { 0 };
    let secure = if tls { "; Secure" } else { "" };
    let text = format!(
        "{COOKIE}={}; Path=/; HttpOnly; SameSite=Strict; Max-Age={age}{secure}",
        word.unwrap_or_default()
    );
    HeaderValue::from_str(&text).unwrap_or_else(|_| HeaderValue::from_static(""))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with_cookie(word: &str) -> HeaderMap {
        let text = format!("theme=dark; {COOKIE}={word}");
        HeaderMap::from_iter([(header::COOKIE, HeaderValue::from_str(&text).unwrap())])
    }

    #[tokio::test(start_paused = true)]
    async fn a_session_lives_while_it_is_used_and_no_longer_than_a_day_of_work() {
        let sessions = Sessions::default();
        let word = sessions.open("calwright_x").unwrap();
        let headers = with_cookie(&word);
        let hour = Duration::from_secs(3600);
        for _ in 0..6 {
            tokio::time::advance(hour * 2).await;
            assert_eq!(sessions.of(&headers).unwrap().token, sha256(b"calwright_x"));
        }
        tokio::time::advance(hour).await;
        assert_eq!(sessions.of(&headers), None);
        let headers = with_cookie(&sessions.open("calwright_x").unwrap());
        tokio::time::advance(hour * 4).await;
        assert_eq!(sessions.of(&headers), None);
    }

    #[tokio::test]
    async fn words_are_random_and_closing_ends() {
        let sessions = Sessions::default();
        let (one, two) = (sessions.open("a").unwrap(), sessions.open("a").unwrap());
        assert_ne!(one, two);
        let (first, second) = (with_cookie(&one), with_cookie(&two));
        assert_ne!(sessions.of(&first).unwrap().csrf, sessions.of(&second).unwrap().csrf);
        sessions.close(&first);
        assert!(sessions.of(&first).is_none() && sessions.of(&second).is_some());
        assert_eq!(sessions.of(&with_cookie("nobody")), None);
    }

    #[test]
    fn the_cookie_is_for_this_site_and_no_script() {
        let text = cookie(Some("w"), true).to_str().unwrap().to_owned();
        for part in ["HttpOnly", "SameSite=Strict", "Secure", "Path=/"] {
            assert!(text.contains(part), "{text}");
        }
        assert!(!cookie(None, false).to_str().unwrap().contains("Secure"));
    }
}
