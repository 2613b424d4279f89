//! Cartons.

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::response::Response;
use line::carton::{self, Cartons, Contents, Pack, PackKind, PackedIn, Repacked, Unpack};
use serde::Deserialize;
use site::access::digest;
use utoipa::IntoParams;

use super::once::once;
use crate::answer::Oops;
use crate::app::App;
use crate::guard::Person;

/// Which cartons.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct CartonsQuery {
    /// On this pallet.
    pallet: Option<String>,
    /// In this shipment.
    shipment: Option<String>,
    /// After this carton.
    after: Option<String>,
}

/// Cartons in the order of their names, 1000 at most.
#[utoipa::path(get, path = "/api/v1/cartons", security(("token" = [])), params(CartonsQuery),
    responses((status = 200, body = Cartons)))]
pub async fn list(State(app): State<App>, Query(query): Query<CartonsQuery>) -> Result<Json<Cartons>, Oops> {
    app.work(move |app| {
        let asked = [(PackKind::Pallet, &query.pallet), (PackKind::Shipment, &query.shipment)];
        let asked = asked.into_iter().find_map(|(kind, name)| Some((kind, name.as_deref()?)));
        let of: Option<PackedIn> = asked.map(|(kind, name)| carton::named(&app.site, name, Some(kind))).transpose()?;
        carton::list(&app.site, of.as_ref(), query.after.as_deref(), 1000)
    })
    .await
    .map(Json)
}

/// What is in a carton.
#[utoipa::path(get, path = "/api/v1/cartons/{carton}", security(("token" = [])),
    params(("carton" = String, Path, description = "Its name")), responses((status = 200, body = Contents)))]
pub async fn show(State(app): State<App>, Path(name): Path<String>) -> Result<Json<Contents>, Oops> {
    app.work(move |app| carton::show(&app.site, &name, Some(PackKind::Carton))).await.map(Json)
}

/// Texts may hold passcodes: only their digests go into what is kept.
fn kept(units: &[String]) -> Vec<String> {
    units.iter().map(|text| format!("{:?}", digest(text))).collect()
}

/// Packs units that passed into a carton, all or none.
#[utoipa::path(post, path = "/api/v1/cartons/{carton}/pack", security(("token" = [])),
    params(("carton" = String, Path, description = "Its name"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = Pack, responses((status = 200, body = Repacked)))]
pub async fn pack(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(name): Path<String>,
    Json(wanted): Json<Pack>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    let (units, pallet, shipment) = (kept(&wanted.units), &wanted.pallet, &wanted.shipment);
    let request = format!("pack {name} {units:?} {pallet:?} {shipment:?} {}", wanted.mixed);
    once(&app, &person, &headers, request, move |app| carton::pack(&app.site, &name, &wanted, None, &who)).await
}

/// Takes units out of a carton, all or none.
#[utoipa::path(post, path = "/api/v1/cartons/{carton}/unpack", security(("token" = [])),
    params(("carton" = String, Path, description = "Its name"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = Unpack, responses((status = 200, body = Repacked)))]
pub async fn unpack(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(name): Path<String>,
    Json(wanted): Json<Unpack>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    let request = format!("unpack {name} {:?}", kept(&wanted.units));
    once(&app, &person, &headers, request, move |app| carton::unpack(&app.site, &name, &wanted, None, &who)).await
}
