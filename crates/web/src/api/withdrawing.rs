//! Taking back what nothing depends on yet.

use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::Response;
use serde::Serialize;
use works::site::{Site, Who};
use works::{Trouble, authority, declaration, delivery, reel};

use super::acts::shape;
use super::once::once;
use super::shapes::{Problem, Withdrawn};
use crate::answer::Oops;
use crate::app::App;
use crate::guard::Person;

async fn withdraw<T: Serialize + 'static>(
    (app, person, headers): (App, Person, HeaderMap),
    what: &str,
    name: String,
    act: fn(&Site, &str, &Who) -> Result<T, Trouble>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    once(&app, &person, &headers, format!("withdraw {what} {name}"), move |app| {
        shape::<Withdrawn>(act(&app.site, &name, &who)?)
    })
    .await
}

/// Withdraws a reel that nothing depends on.
#[utoipa::path(post, path = "/api/v1/reels/{reel}/withdraw", security(("token" = [])),
    params(("reel" = String, Path, description = "Its id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")), responses(
    (status = 200, body = Withdrawn), (status = 400, body = Problem), (status = 401, body = Problem),
    (status = 403, body = Problem), (status = 404, body = Problem), (status = 409, body = Problem),
    (status = 422, body = Problem), (status = 503, body = Problem)))]
pub async fn reel(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(name): Path<String>,
) -> Result<Response, Oops> {
    withdraw((app, person, headers), "reel", name, reel::withdraw).await
}

/// Withdraws a delivery before its first unit.
#[utoipa::path(post, path = "/api/v1/deliveries/{delivery}/withdraw", security(("token" = [])),
    params(("delivery" = String, Path, description = "Its id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")), responses(
    (status = 200, body = Withdrawn), (status = 400, body = Problem), (status = 401, body = Problem),
    (status = 403, body = Problem), (status = 404, body = Problem), (status = 409, body = Problem),
    (status = 422, body = Problem), (status = 503, body = Problem)))]
pub async fn delivery(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(name): Path<String>,
) -> Result<Response, Oops> {
    withdraw((app, person, headers), "delivery", name, delivery::withdraw).await
}

/// Withdraws an authority that nothing depends on.
#[utoipa::path(post, path = "/api/v1/authorities/{authority}/withdraw", security(("token" = [])),
    params(("authority" = String, Path, description = "Its name"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")), responses(
    (status = 200, body = Withdrawn), (status = 400, body = Problem), (status = 401, body = Problem),
    (status = 403, body = Problem), (status = 404, body = Problem), (status = 409, body = Problem),
    (status = 422, body = Problem), (status = 503, body = Problem)))]
pub async fn authority(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(name): Path<String>,
) -> Result<Response, Oops> {
    withdraw((app, person, headers), "authority", name, authority::withdraw).await
}

/// Withdraws a declaration that no unit was made with.
#[utoipa::path(post, path = "/api/v1/declarations/{declaration}/withdraw", security(("token" = [])),
    params(("declaration" = String, Path, description = "Its name"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")), responses(
    (status = 200, body = Withdrawn), (status = 400, body = Problem), (status = 401, body = Problem),
    (status = 403, body = Problem), (status = 404, body = Problem), (status = 409, body = Problem),
    (status = 422, body = Problem), (status = 503, body = Problem)))]
pub async fn declaration(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(name): Path<String>,
) -> Result<Response, Oops> {
    withdraw((app, person, headers), "declaration", name, declaration::withdraw).await
}
