//! Reels that are divided, or go to another product.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::Response;
use receive::reel;
use receive::reel::{Assigned, Split};
use serde::Deserialize;
use utoipa::ToSchema;

use super::once::once;
use crate::answer::Oops;
use crate::app::App;
use crate::guard::Person;

/// Which section becomes which reel.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SplitReel {
    /// The first place, from 1.
    #[schema(minimum = 1)]
    pub from: i64,
    /// The last place, included.
    #[schema(minimum = 1)]
    pub to: i64,
    /// The id of the new reel.
    #[serde(rename = "as")]
    #[schema(min_length = 1, max_length = 100)]
    pub new: String,
}

/// Which product a reel is for from now on.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AssignReel {
    /// The product.
    #[schema(min_length = 1, max_length = 100)]
    pub product: String,
}

/// Makes a section of an untouched reel a reel of its own, with its certificates.
#[utoipa::path(post, path = "/api/v1/reels/{reel}/split", security(("token" = [])),
    params(("reel" = String, Path, description = "Its id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = SplitReel, responses((status = 200, body = Split)))]
pub async fn split(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(name): Path<String>,
    Json(wanted): Json<SplitReel>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    once(&app, &person, &headers, format!("split reel {name} {wanted:?}"), move |app| {
        reel::split(&app.site, &name, (wanted.from, wanted.to), &wanted.new, &who)
    })
    .await
}

/// Gives an untouched reel to another product.
#[utoipa::path(post, path = "/api/v1/reels/{reel}/assign", security(("token" = [])),
    params(("reel" = String, Path, description = "Its id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = AssignReel, responses((status = 200, body = Assigned)))]
pub async fn assign(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(name): Path<String>,
    Json(wanted): Json<AssignReel>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    once(&app, &person, &headers, format!("assign reel {name} {wanted:?}"), move |app| {
        reel::assign(&app.site, &name, &wanted.product, &who)
    })
    .await
}
