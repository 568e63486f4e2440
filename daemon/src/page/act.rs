//! What forms of the page ask for: each ends in one call at the desk, and goes back to where it came from.

use super::frame;
use crate::http::admit::{AtMachine, Caller};
use crate::http::api::{Part, to_its_end};
use crate::http::house::Shared;
use crate::http::problem::{Code, Problem};
use crate::serve::words::{Acknowledging, Arming, Role};
use axum::extract::{Form, FromRequest, FromRequestParts, Request, State};
use axum::response::{IntoResponse, Redirect, Response};
use std::sync::Arc;

/// Fields of a form that carried the session's word.
#[derive(Debug)]
pub(super) struct Fields(Vec<(String, String)>);

impl<S: Send + Sync> FromRequest<S> for Fields {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        let (mut parts, body) = request.into_parts();
        let caller = Caller::from_request_parts(&mut parts, state).await?;
        caller.person.as_ref().ok_or_else(Problem::no_identity)?;
        let request = Request::from_parts(parts, body);
        let form = Form::<Vec<(String, String)>>::from_request(request, state).await;
        let fields = Self(form?.0);
        match caller.session {
            Some(session) if fields.get("csrf") != session.csrf => Err(Problem::new(
                Code::WrongOrigin,
                "this form is from another login; go back, load the page again",
            )),
            _ => Ok(fields),
        }
    }
}

impl Fields {
    /// A field, empty where there is none.
    fn get(&self, name: &str) -> &str {
        self.0.iter().find(|(n, _)| n == name).map_or("", |(_, value)| value.trim())
    }

    /// Every value of a field.
    fn all(&self, name: &str) -> Vec<String> {
        self.0.iter().filter(|(n, _)| n == name).map(|(_, value)| value.clone()).collect()
    }

    /// Whether a box was ticked.
    pub(super) fn has(&self, name: &str) -> bool {
        !self.get(name).is_empty()
    }

    /// A field that has to say something.
    pub(super) fn said(&self, name: &str) -> Result<String, Problem> {
        match self.get(name) {
            "" => Err(Problem::new(Code::Input, format!("'{name}' has to be filled in; it is recorded"))),
            text => Ok(text.to_owned()),
        }
    }

    fn back(&self, usual: &str) -> Redirect {
        Redirect::to(&back(Some(self.get("back")), usual))
    }
}

/// A place of ours to go back to, never another site.
pub(super) fn back(wanted: Option<&str>, usual: &str) -> String {
    let ours = |path: &&str| {
        path.starts_with('/')
            && !path.starts_with("//")
            && path.bytes().all(|b| b.is_ascii_graphic() && b != b'\\')
    };
    wanted.filter(ours).unwrap_or(usual).to_owned()
}

/// Stops the rig. Whoever can reach the page may; a form whose login is over, or was never there, stops all the same.
pub(super) async fn stop(State(shared): State<Arc<Shared>>, caller: Caller) -> Result<Response, Problem> {
    let said =
        to_its_end(async move { shared.desk.stop(caller.person.as_ref(), &caller.peer.whence()).await })
            .await?;
    let title = if said.at_rest { "Stopped" } else { "NOT STOPPED" };
    Ok(frame::message(title, &said.message).into_response())
}

pub(super) async fn queue(
    State(shared): State<Arc<Shared>>,
    Part(what): Part<String>,
    caller: Caller,
    fields: Fields,
) -> Result<Redirect, Problem> {
    let who = caller.with(Role::Operator)?;
    match what.as_str() {
        "hold" => {
            let reason = fields.said("reason")?;
            to_its_end(async move { shared.desk.hold(&who, None, &reason).await }).await?;
        }
        "unhold" => to_its_end(async move { shared.desk.unhold(&who, None).await }).await?,
        _ => return Err(nothing(&what)),
    }
    Ok(fields.back("/queue"))
}

pub(super) async fn job(
    State(shared): State<Arc<Shared>>,
    Part((job, what)): Part<(i64, String)>,
    caller: Caller,
    fields: Fields,
) -> Result<Redirect, Problem> {
    let who = caller.with(Role::Operator)?;
    match what.as_str() {
        "hold" => {
            let reason = fields.said("reason")?;
            to_its_end(async move { shared.desk.hold(&who, Some(job), &reason).await }).await?;
        }
        "unhold" => to_its_end(async move { shared.desk.unhold(&who, Some(job)).await }).await?,
        "cancel" => {
            let reason = fields.said("reason")?;
            to_its_end(async move { shared.desk.cancel(&who, job, &reason).await }).await?;
        }
        "move" => {
            let place = fields.get("place").parse().ok().filter(|place| *place > 0);
            let place =
                place.ok_or_else(|| Problem::new(Code::Input, "'place' has to be a number from 1"))?;
            to_its_end(async move { shared.desk.move_to(&who, job, place).await }).await?;
        }
        _ => return Err(nothing(&what)),
    }
    Ok(fields.back("/queue"))
}

pub(super) async fn run(
    State(shared): State<Arc<Shared>>,
    Part((run, what)): Part<(String, String)>,
    caller: Caller,
    fields: Fields,
) -> Result<Redirect, Problem> {
    match what.as_str() {
        "resume" => {
            let who = caller.with(Role::Operator)?;
            to_its_end(async move { shared.desk.resume(&who, &run).await }).await?;
            Ok(Redirect::to("/queue"))
        }
        "approve" => {
            let who = caller.with(Role::Approver)?;
            to_its_end(async move { shared.desk.approve(&who, &run).await }).await?;
            Ok(fields.back("/runs"))
        }
        _ => Err(nothing(&what)),
    }
}

pub(super) async fn arm(
    State(shared): State<Arc<Shared>>,
    AtMachine(who): AtMachine,
    fields: Fields,
) -> Result<Redirect, Problem> {
    let hours = match fields.get("hours") {
        "" => None,
        text => match text.parse::<f64>() {
            Ok(hours) if hours.is_finite() && hours > 0.0 => Some(hours),
            _ => {
                return Err(Problem::new(
                    Code::Input,
                    "'hours' has to be a number above 0, such as 8 or 0.5",
                ));
            }
        },
    };
    let what = Arming { hours, confirmed: fields.all("confirmed") };
    to_its_end(async move { shared.desk.arm(&who, what).await }).await?;
    Ok(Redirect::to("/"))
}

pub(super) async fn acknowledge(
    State(shared): State<Arc<Shared>>,
    AtMachine(who): AtMachine,
    fields: Fields,
) -> Result<Redirect, Problem> {
    let made_safe_by_hand = !fields.get("made_safe_by_hand").is_empty();
    let what = Acknowledging { reason: fields.said("reason")?, made_safe_by_hand };
    to_its_end(async move { shared.desk.acknowledge(&who, what).await }).await?;
    Ok(Redirect::to("/"))
}

fn nothing(what: &str) -> Problem {
    Problem::new(Code::NotThere, format!("there is nothing called '{what}' to do here"))
}

#[cfg(test)]
mod tests {
    use super::back;

    #[test]
    fn nobody_is_sent_to_another_site() {
        assert_eq!(back(Some("/runs/a-1"), "/"), "/runs/a-1");
        for odd in
            ["", "//evil.example", "https://evil.example", "/\\evil.example", "/a\r\nb", "javascript:x"]
        {
            assert_eq!(back(Some(odd), "/"), "/", "{odd}");
        }
    }
}
