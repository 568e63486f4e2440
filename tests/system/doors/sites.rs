//! Pages of other sites, and names that are not ours: a browser must not be made a tool against the daemon.

use super::identity::{changes, house, post};
use tests::doors::{Answer, House};

/// Logs in on the page: the cookie, and the word that forms carry.
fn login(house: &House) -> (String, String) {
    let origin = house.url().unwrap();
    let form = format!("token={}", house.token("operator"));
    let ask = house.ask("POST", "/login").unwrap().header("Origin", &origin).form(&form);
    let answer = ask.answer().unwrap();
    assert_eq!(answer.status, 303, "{}", answer.text());
    let set = answer.header("set-cookie").unwrap().to_owned();
    assert!(set.contains("HttpOnly") && set.contains("SameSite=Strict"), "{set}");
    let cookie = set.split(';').next().unwrap().to_owned();
    let page = house.ask("GET", "/").unwrap().header("Cookie", &cookie).answer().unwrap();
    assert_eq!(page.status, 200, "{}", page.text());
    let text = page.text();
    let csrf = text.split("data-csrf=\"").nth(1).and_then(|t| t.split('"').next()).unwrap().to_owned();
    assert_eq!(csrf.len(), 64);
    (cookie, csrf)
}

fn refused(answer: &Answer) -> bool {
    answer.status == 403
}

#[test]
fn a_name_that_was_turned_to_our_address_is_refused() {
    let house = house();
    for name in ["evil.example", "evil.example:7421", "localhost.evil.example", "127.0.0.1.evil.example", ""]
    {
        for path in ["/api/v1/rig", "/", "/metrics"] {
            let ask = house.ask("GET", path).unwrap().token(house.token("admin")).header("Host", name);
            assert!(refused(&ask.answer().unwrap()), "{name} {path}");
        }
        let stop = house.ask("POST", "/api/v1/stop").unwrap().header("Host", name);
        assert!(refused(&stop.answer().unwrap()), "{name}");
    }
    for name in ["localhost", "localhost:9", "127.0.0.1", "[::1]:80"] {
        let ask = house.ask("GET", "/api/v1/rig").unwrap().token(house.token("viewer")).header("Host", name);
        assert_eq!(ask.answer().unwrap().status, 200, "{name}");
    }
    assert_eq!(house.desk.done(), []);
}

#[test]
fn forms_and_scripts_of_other_sites_change_nothing_though_the_browser_is_logged_in() {
    let house = house();
    let (cookie, csrf) = login(&house);
    for (path, body) in changes() {
        let ask = || post(&house, path, &body).header("Cookie", &cookie).header("X-Csrf-Token", &csrf);
        for origin in ["https://evil.example", "null", "http://localhost:1"] {
            assert!(refused(&ask().header("Origin", origin).answer().unwrap()), "{origin} {path}");
        }
        let ours = house.url().unwrap();
        let cross = ask().header("Origin", &ours).header("Sec-Fetch-Site", "cross-site");
        assert!(refused(&cross.answer().unwrap()), "{path}");
        assert!(refused(&ask().answer().unwrap()), "no origin: {path}");
        let form = house.ask("POST", path).unwrap().header("Cookie", &cookie).form("reason=x");
        assert!(refused(&form.header("Origin", "https://evil.example").answer().unwrap()), "{path}");
        let without = post(&house, path, &body).header("Cookie", &cookie).header("Origin", &ours);
        assert!(refused(&without.answer().unwrap()), "without the session's word: {path}");
        let wrong = without.header("X-Csrf-Token", &"0".repeat(64));
        assert!(refused(&wrong.answer().unwrap()), "with another word: {path}");
    }
    for path in ["/stop", "/api/v1/stop"] {
        let stop = house.ask("POST", path).unwrap().header("Origin", "https://evil.example");
        assert!(refused(&stop.answer().unwrap()), "{path}");
    }
    assert_eq!(house.desk.done(), []);
}

#[test]
fn our_own_page_may() {
    let house = house();
    let (cookie, csrf) = login(&house);
    let ours = house.url().unwrap();
    let ask = house.ask("POST", "/api/v1/queue/unhold").unwrap();
    let ask = ask.header("Cookie", &cookie).header("Origin", &ours).header("X-Csrf-Token", &csrf);
    assert_eq!(ask.answer().unwrap().status, 204);
    let form = house.ask("POST", "/do/queue/hold").unwrap().header("Cookie", &cookie).header("Origin", &ours);
    let wrong = form.clone().form("csrf=0&reason=x").answer().unwrap();
    assert_eq!(wrong.status, 403, "{}", wrong.text());
    let right = form.form(&format!("csrf={csrf}&reason=x")).answer().unwrap();
    assert_eq!(right.status, 303, "{}", right.text());
    assert_eq!(house.desk.done().len(), 2);
}

#[test]
fn a_stop_from_our_page_needs_no_login_and_no_word() {
    let house = house();
    let ours = house.url().unwrap();
    let stop = house.ask("POST", "/stop").unwrap().header("Origin", &ours).form("");
    assert_eq!(stop.answer().unwrap().status, 200);
    let (cookie, _) = login(&house);
    let stale =
        house.ask("POST", "/stop").unwrap().header("Origin", &ours).header("Cookie", &cookie).form("");
    assert_eq!(stale.answer().unwrap().status, 200);
    assert_eq!(house.desk.done().len(), 2);
}

#[test]
fn a_login_needs_a_page_of_ours_and_ends() {
    let house = house();
    let form = format!("token={}", house.token("operator"));
    let login_from = |origin: Option<&str>| {
        let ask = house.ask("POST", "/login").unwrap().form(&form);
        origin.map_or(ask.clone(), |o| ask.header("Origin", o)).answer().unwrap()
    };
    assert!(refused(&login_from(Some("https://evil.example"))));
    assert!(refused(&login_from(None)));
    let (cookie, csrf) = login(&house);
    let ours = house.url().unwrap();
    let out = house.ask("POST", "/logout").unwrap().header("Cookie", &cookie).header("Origin", &ours);
    assert_eq!(out.form(&format!("csrf={csrf}")).answer().unwrap().status, 303);
    let after = house.ask("GET", "/api/v1/rig").unwrap().header("Cookie", &cookie).answer().unwrap();
    assert_eq!(after.status, 401);
}

#[test]
fn a_session_ends_with_the_token_it_was_opened_with() {
    let house = house();
    let (cookie, _) = login(&house);
    let look = || house.ask("GET", "/api/v1/rig").unwrap().header("Cookie", &cookie).answer().unwrap().status;
    assert_eq!(look(), 200);
    calwright::http::tokens::remove(&house.folder().join("tokens.toml"), "A. operator").unwrap();
    assert_eq!(look(), 401);
}

#[test]
fn browsers_are_told_to_load_nothing_but_ours() {
    let house = house();
    for path in ["/login", "/api/v1/rig", "/nowhere", "/health"] {
        let answer = house.ask("GET", path).unwrap().answer().unwrap();
        let policy = answer.header("content-security-policy").unwrap();
        assert!(policy.starts_with("default-src 'none'") && !policy.contains("unsafe"), "{policy}");
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(answer.header("cache-control"), Some("no-store"), "{path}");
        assert!(answer.header("access-control-allow-origin").is_none());
    }
}
