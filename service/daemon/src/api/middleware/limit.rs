//! How many requests an account, or an address without one, may send in a minute.
//!
//! Answers tell the limit and what is left of it by draft-ietf-httpapi-ratelimit-headers.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use actix_web::http::header::{HeaderMap, HeaderName, HeaderValue};
use chrono::{DateTime, Utc};

const WINDOW_S: i64 = 60;
/// Above so many windows the past ones are thrown away.
const WINDOWS_KEPT: usize = 10_000;
const POLICY: HeaderName = HeaderName::from_static("ratelimit-policy");
const STATE: HeaderName = HeaderName::from_static("ratelimit");

/// Counts of the present minute, one for each name.
#[derive(Debug)]
pub struct Limiter {
    quota: u32,
    windows: Mutex<HashMap<String, Window>>,
}

#[derive(Debug, Clone, Copy)]
struct Window {
    began: DateTime<Utc>,
    used: u32,
}

/// What is left for a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Allowance {
    /// Whether this one was still free.
    pub allowed: bool,
    /// Requests in a window.
    pub quota: u32,
    /// Requests left in this window.
    pub left: u32,
    /// Seconds until the next window.
    pub reset_s: u32,
}

impl Limiter {
    /// A limiter of `quota` in each minute and name.
    #[must_use]
    pub fn new(quota: u32) -> Self {
        Self { quota, windows: Mutex::default() }
    }

    /// Takes one of what is left for a name.
    pub fn take(&self, name: &str, now: DateTime<Utc>) -> Allowance {
        let mut windows = self.windows.lock().unwrap_or_else(PoisonError::into_inner);
        let age = |window: &Window| (now - window.began).num_seconds();
        if windows.len() >= WINDOWS_KEPT {
            windows.retain(|_, window| age(window) < WINDOW_S);
        }
        let window = windows.entry(name.to_owned()).or_insert(Window { began: now, used: 0 });
        if !(0..WINDOW_S).contains(&age(window)) {
            *window = Window { began: now, used: 0 };
        }
        let allowed = window.used < self.quota;
        if allowed {
            window.used += 1;
        }
        let reset_s = u32::try_from(WINDOW_S - age(window)).unwrap_or(1).max(1);
        Allowance { allowed, quota: self.quota, left: self.quota - window.used, reset_s }
    }
}

impl Allowance {
    /// Tells the client.
    pub fn tell(&self, headers: &mut HeaderMap) {
        let policy = format!("\"account\";q={};w={WINDOW_S}", self.quota);
        let state = format!("\"account\";r={};t={}", self.left, self.reset_s);
        for (name, text) in [(POLICY, policy), (STATE, state)] {
            if let Ok(value) = HeaderValue::from_str(&text) {
                headers.insert(name, value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::*;

    #[test]
    fn the_quota_is_per_name_and_comes_back_after_a_minute() {
        let now: DateTime<Utc> = "2026-07-01T12:00:00Z".parse().unwrap();
        let limiter = Limiter::new(2);
        assert!(limiter.take("a", now).allowed);
        assert_eq!(limiter.take("a", now).left, 0);
        let later = now + TimeDelta::seconds(40);
        let refused = limiter.take("a", later);
        assert_eq!((refused.allowed, refused.reset_s), (false, 20));
        assert!(limiter.take("b", later).allowed);
        assert!(limiter.take("a", now + TimeDelta::seconds(60)).allowed);
    }

    #[test]
    fn a_clock_that_is_set_back_locks_nobody_out() {
        let now: DateTime<Utc> = "2026-07-01T12:00:00Z".parse().unwrap();
        let limiter = Limiter::new(1);
        assert!(limiter.take("a", now).allowed);
        assert!(limiter.take("a", now - TimeDelta::hours(1)).allowed);
    }
}
