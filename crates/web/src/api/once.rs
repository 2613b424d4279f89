//! A call sent twice is done once.

use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::Value;
use works::{Trouble, repeat};

use crate::answer::Oops;
use crate::app::App;
use crate::guard::Person;

/// The key of a call; `None` where it has none.
fn key(headers: &HeaderMap) -> Result<Option<String>, Oops> {
    let Some(value) = headers.get("idempotency-key") else { return Ok(None) };
    match value.to_str() {
        Ok(key) if (1..=200).contains(&key.len()) => Ok(Some(key.to_owned())),
        _ => Err(Trouble::usage("an Idempotency-Key has 1 to 200 printable characters", "Send a UUID.").into()),
    }
}

fn answered(status: StatusCode, body: String, again: bool) -> Response {
    let mut response = (status, body).into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/json"));
    if again {
        headers.insert(HeaderName::from_static("idempotency-replayed"), HeaderValue::from_static("true"));
    }
    response
}

/// Does an act, unless the same call was answered before.
///
/// - `request`: what the call asks, all of it.
///
/// # Errors
///
/// What the act says; a key that stands for another call, or for one still running.
pub async fn once<T: serde::Serialize + Send + 'static>(
    app: &App,
    person: &Person,
    headers: &HeaderMap,
    request: String,
    act: impl FnOnce(&App) -> Result<T, Trouble> + Send + 'static,
) -> Result<Response, Oops> {
    let Some(key) = key(headers)? else {
        let value = serde_json::to_string(&app.work(act).await?).unwrap_or_default();
        return Ok(answered(StatusCode::OK, value, false));
    };
    let holder = person.name.to_string();
    let (now, wish, who) = (app.clock, key.clone(), holder.clone());
    let known = app.work(move |app| repeat::take(&app.site, &who, &wish, &request, now())).await?;
    match known {
        repeat::Taken::First => {}
        repeat::Taken::Answered(status, body) => {
            let status = StatusCode::from_u16(status).unwrap_or(StatusCode::OK);
            return Ok(answered(status, body, true));
        }
        repeat::Taken::Running => {
            return Err(Oops::Status(
                StatusCode::CONFLICT,
                "the call with this Idempotency-Key is still being worked".into(),
                "Try again in a moment. If the server was stopped in between, check the result first.".into(),
            ));
        }
        repeat::Taken::Other => {
            return Err(Trouble::refused(
                "this Idempotency-Key belongs to another call",
                "Send a new key with a new call.",
            )
            .into());
        }
    }
    match app.work(act).await {
        Ok(value) => {
            let body = serde_json::to_string(&value).unwrap_or_else(|_| Value::Null.to_string());
            let kept = body.clone();
            app.work(move |app| repeat::keep(&app.site, &holder, &key, 200, &kept)).await?;
            Ok(answered(StatusCode::OK, body, false))
        }
        Err(oops) => {
            // Nothing was changed, so the same call may be tried again.
            app.work(move |app| repeat::give_back(&app.site, &holder, &key)).await?;
            Err(oops)
        }
    }
}
