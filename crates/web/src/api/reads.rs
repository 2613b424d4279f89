//! What changes nothing.

use std::convert::Infallible;

use answer::revocation;
use answer::revocation::{DistributionPoint, Overview};
use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::header;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use base::Trouble;
use line::desk::{Phase, View};
use line::floor::{Line, Reconciliation, Setup};
use line::search::{self, FoundView};
use line::unit::{UnitView, WholeUnit};
use line::{floor, unit};
use receive::delivery::DeliveryView;
use receive::reel::ReelView;
use receive::{delivery, reel};
use report::trouble::{self, StationTrouble};
use serde::Deserialize;
use serde_json::json;
use site::product;
use site::product::ProductView;
use tokio::sync::broadcast::error::RecvError;
use tokio_stream::Stream;
use utoipa::IntoParams;

use super::bodies::{AtStation, Site};
use crate::answer::Oops;
use crate::app::App;
use crate::guard::Person;

type Answer<T> = Result<Json<T>, Oops>;

/// The site.
#[utoipa::path(get, path = "/api/v1/site", security(("token" = [])), responses((status = 200, body = Site)))]
pub async fn site(State(app): State<App>) -> Json<Site> {
    let settings = &app.site.settings.site;
    let version = env!("CARGO_PKG_VERSION").to_owned();
    Json(Site { id: settings.id.clone(), name: settings.name.clone(), version })
}

/// All products.
#[utoipa::path(get, path = "/api/v1/products", security(("token" = [])), responses((status = 200, body = Vec<ProductView>)))]
pub async fn products(State(app): State<App>) -> Answer<Vec<ProductView>> {
    app.work(|app| product::list(&app.site)).await.map(Json)
}

/// All reels.
#[utoipa::path(get, path = "/api/v1/reels", security(("token" = [])), responses((status = 200, body = Vec<ReelView>)))]
pub async fn reels(State(app): State<App>) -> Answer<Vec<ReelView>> {
    app.work(|app| reel::list(&app.site)).await.map(Json)
}

/// One reel.
#[utoipa::path(get, path = "/api/v1/reels/{reel}", security(("token" = [])),
    params(("reel" = String, Path, description = "Its id")), responses((status = 200, body = ReelView)))]
pub async fn reel(State(app): State<App>, Path(name): Path<String>) -> Answer<ReelView> {
    app.work(move |app| reel::show(&app.site, &name)).await.map(Json)
}

/// All deliveries.
#[utoipa::path(get, path = "/api/v1/deliveries", security(("token" = [])), responses((status = 200, body = Vec<DeliveryView>)))]
pub async fn deliveries(State(app): State<App>) -> Answer<Vec<DeliveryView>> {
    app.work(|app| delivery::list(&app.site)).await.map(Json)
}

/// One delivery.
#[utoipa::path(get, path = "/api/v1/deliveries/{delivery}", security(("token" = [])),
    params(("delivery" = String, Path, description = "Its id")), responses((status = 200, body = DeliveryView)))]
pub async fn delivery(State(app): State<App>, Path(id): Path<String>) -> Answer<DeliveryView> {
    app.work(move |app| delivery::show(&app.site, &id)).await.map(Json)
}

/// Which units.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct UnitsQuery {
    /// Of a reel.
    reel: Option<String>,
    /// In a state.
    #[param(schema_with = states)]
    state: Option<String>,
    /// After this serial number.
    after: Option<String>,
    /// At most so many, 1 to 1000; 100 where not told.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<u32>,
}

fn states() -> utoipa::openapi::schema::Object {
    utoipa::openapi::ObjectBuilder::new()
        .schema_type(utoipa::openapi::schema::Type::String)
        .enum_values(Some(["open", "passed", "failed", "scrapped", "returned"]))
        .build()
}

/// Units in the order of their serial numbers.
#[utoipa::path(get, path = "/api/v1/units", security(("token" = [])), params(UnitsQuery), responses((status = 200, body = Vec<UnitView>)))]
pub async fn units(State(app): State<App>, Query(query): Query<UnitsQuery>) -> Answer<Vec<UnitView>> {
    let found = app
        .work(move |app| {
            let wanted = unit::Wanted {
                reel: query.reel.as_deref(),
                state: query.state.as_deref(),
                after: query.after.as_deref(),
                limit: match query.limit.unwrap_or(100) {
                    limit @ 1..=1000 => limit,
                    limit => {
                        return Err(Trouble::usage(
                            format!("{limit} units are not 1 to 1000"),
                            "Ask for fewer, then for those after the last.",
                        ));
                    }
                },
            };
            unit::list(&app.site, &wanted).map(|listed| listed.units)
        })
        .await?;
    Ok(Json(found))
}

/// A unit's whole story; the passcode is never in it.
#[utoipa::path(get, path = "/api/v1/units/{unit}", security(("token" = [])),
    params(("unit" = String, Path, description = "Its serial number")), responses((status = 200, body = WholeUnit)))]
pub async fn unit(State(app): State<App>, person: Person, Path(name): Path<String>) -> Answer<WholeUnit> {
    let who = app.who(&person);
    app.work(move |app| unit::show(&app.site, &name, None, &who)).await.map(Json)
}

/// What to look for.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct FindQuery {
    /// A serial number of a unit or a credential, a chip id, or the beginning of one.
    q: String,
}

/// Looks a text up.
#[utoipa::path(get, path = "/api/v1/find", security(("token" = [])), params(FindQuery), responses((status = 200, body = Vec<FoundView>)))]
pub async fn find(State(app): State<App>, Query(query): Query<FindQuery>) -> Answer<Vec<FoundView>> {
    app.work(move |app| search::find(&app.site, &query.q, None).map(|all| all.found)).await.map(Json)
}

/// The stations that were set up.
#[utoipa::path(get, path = "/api/v1/stations", security(("token" = [])), responses((status = 200, body = Vec<Setup>)))]
pub async fn stations(State(app): State<App>) -> Answer<Vec<Setup>> {
    app.work(|app| floor::stations(&app.site)).await.map(Json)
}

/// The line at a glance: stations, hours, causes, stock.
#[utoipa::path(get, path = "/api/v1/line", security(("token" = [])), responses((status = 200, body = Line)))]
pub async fn line(State(app): State<App>) -> Answer<Line> {
    app.work(|app| floor::line(&app.site, (app.clock)())).await.map(Json)
}

/// Which stations need somebody now, the worst first, and where to look.
#[utoipa::path(get, path = "/api/v1/line/troubles", security(("token" = [])),
    responses((status = 200, body = Vec<StationTrouble>)))]
pub async fn troubles(State(app): State<App>) -> Answer<Vec<StationTrouble>> {
    let told = |app: &App| {
        let now = (app.clock)();
        Ok(trouble::troubles(&floor::line(&app.site, now)?, now))
    };
    app.work(told).await.map(Json)
}

/// Chips, credentials and units by state.
#[utoipa::path(get, path = "/api/v1/totals", security(("token" = [])), responses((status = 200, body = Reconciliation)))]
pub async fn totals(State(app): State<App>) -> Answer<Reconciliation> {
    app.work(|app| floor::totals(&app.site)).await.map(Json)
}

/// Revocation requests that wait, those settled last, and the newest list of each issuer. No program asks for a
/// revocation or confirms one: that takes people.
#[utoipa::path(get, path = "/api/v1/revocation", security(("token" = [])), responses((status = 200, body = Overview)))]
pub async fn revocation(State(app): State<App>, person: Person) -> Answer<Overview> {
    let who = app.who(&person);
    app.work(move |app| revocation::list(&app.site, &who)).await.map(Json)
}

/// The newest revocation list of an issuer that is kept, DER: what a web server publishes.
#[utoipa::path(get, path = "/api/v1/revocation/lists/{issuer}", security(("token" = [])),
    params(("issuer" = String, Path, description = "The authority's name")), responses((status = 200, description = "An RFC 5280 list", content_type = "application/pkix-crl", body = Vec<u8>)))]
pub async fn revocation_list(State(app): State<App>, Path(issuer): Path<String>) -> Result<Response, Oops> {
    let der = app.work(move |app| revocation::list_of(&app.site, &issuer)).await?;
    Ok(([(header::CONTENT_TYPE, "application/pkix-crl")], der).into_response())
}

/// The distribution-point record of that list.
#[utoipa::path(get, path = "/api/v1/revocation/lists/{issuer}/point", security(("token" = [])),
    params(("issuer" = String, Path, description = "The authority's name")), responses((status = 200, body = DistributionPoint)))]
pub async fn revocation_point(State(app): State<App>, Path(issuer): Path<String>) -> Answer<DistributionPoint> {
    app.work(move |app| revocation::point_of(&app.site, &issuer)).await.map(Json)
}

fn at_station(view: &View) -> AtStation {
    AtStation {
        station: view.station.clone(),
        unit: view.unit.clone(),
        chip_id: view.chip_id.clone(),
        phase: view.phase,
        cause: view.cause.clone(),
        next: view.next.clone(),
        label: view.label,
        milliseconds: view.milliseconds,
    }
}

/// Results as they come: server-sent events named `unit`, one for each verdict or label.
#[utoipa::path(get, path = "/api/v1/events", security(("token" = [])), responses((status = 200, description = "A stream that does not end", content_type = "text/event-stream", body = String)))]
pub async fn events(State(app): State<App>) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let mut views = app.views.subscribe();
    let mut closing = app.closing.clone();
    let (send, receive) = tokio::sync::mpsc::channel(64);
    tokio::spawn(async move {
        loop {
            let event = tokio::select! {
                _ = closing.changed() => return,
                () = send.closed() => return,
                view = views.recv() => match view {
                    Ok(view) if view.phase == Phase::Working => continue,
                    Ok(view) => Event::default().event("unit").data(json!(at_station(&view)).to_string()),
                    // Who can't keep up is told so, and asks the lists for what it missed.
                    Err(RecvError::Lagged(n)) => Event::default().event("missed").data(n.to_string()),
                    Err(RecvError::Closed) => return,
                },
            };
            if send.send(Ok(event)).await.is_err() {
                return;
            }
        }
    });
    Sse::new(tokio_stream::wrappers::ReceiverStream::new(receive)).keep_alive(KeepAlive::default())
}
