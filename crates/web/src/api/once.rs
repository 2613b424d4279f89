//! A call sent twice is done once.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use base::Trouble;
use serde_json::Value;
use site::repeat;
use tokio::sync::{Mutex as AsyncMutex, OwnedMutexGuard};

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

/// Calls with a key that are being worked.
#[derive(Debug, Default)]
pub struct Calls(Mutex<HashMap<Call, Arc<AsyncMutex<()>>>>);

/// Whose call, and its key.
type Call = (String, String);

impl Calls {
    /// Waits until no other call of the key is being worked. What is returned is held for as long as this one is.
    async fn turn(&self, holder: &str, key: &str) -> OwnedMutexGuard<()> {
        let own = {
            let mut calls = self.0.lock().unwrap_or_else(PoisonError::into_inner);
            // Those that nobody holds or waits for are done.
            calls.retain(|_, one| Arc::strong_count(one) > 1);
            Arc::clone(calls.entry((holder.to_owned(), key.to_owned())).or_default())
        };
        own.lock_owned().await
    }
}

/// Does an act, unless the same call was answered before. A call that comes while the first of its key is being
/// worked waits for that one's answer.
///
/// - `request`: what the call asks, all of it.
///
/// # Errors
///
/// What the act says; a key that stands for another call, or for one that was cut off by the end of the server.
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
    // One call of a key at a time: a retry waits for the first, whatever became of its connection.
    let turn = app.calls.turn(&holder, &key).await;
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
                "the server stopped in the middle of the call with this Idempotency-Key".into(),
                "Check whether it was done, then send what is missing with a new key.".into(),
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
    // The act and the keeping of its answer are one piece of work, which goes on where the client is gone.
    let body = app
        .work(move |app| {
            let _turn = turn;
            match act(app) {
                Ok(value) => {
                    let body = serde_json::to_string(&value).unwrap_or_else(|_| Value::Null.to_string());
                    repeat::keep(&app.site, &holder, &key, 200, &body)?;
                    Ok(body)
                }
                Err(trouble) => {
                    // Nothing was changed, so the same call may be tried again.
                    repeat::give_back(&app.site, &holder, &key)?;
                    Err(trouble)
                }
            }
        })
        .await?;
    Ok(answered(StatusCode::OK, body, false))
}
