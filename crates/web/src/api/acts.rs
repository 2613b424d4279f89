//! What changes something.

use answer::revocation;
use answer::scrap as scrapping;
use answer::scrap::{Revoke, ScrappedChip, ScrappedUnit};
use axum::Json;
use axum::body::Body;
use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::response::Response;
use base::Trouble;
use base::course::Course;
use base::trouble::About as _;
use line::desk::Scanned;
use line::floor::{SetStation, Setup};
use line::label::Checked;
use line::provision::UnitResult;
use line::unit::{ErasedUnit, SentBack, UnitView};
use line::{floor, label, unit};
use receive::reel::manifest::ColumnMap;
use receive::{delivery, reel};
use serde::Deserialize;
use site::Who;
use site::access::Standing;
use utoipa::IntoParams;
use zeroize::Zeroizing;

use super::bodies::{Confirm, Scan, Why, WhyChip, WhyRefurbish, WhyScrap, WhySwap, WorkUnit};
use super::once::once;
use crate::answer::Oops;
use crate::app::App;
use crate::guard::Person;
use crate::incoming::take_body;

/// Characters of a scan, as the document says.
const SCAN: usize = 1000;

/// Octets of a file that is the body of a call.
const BODY: usize = 128 << 20;

/// Where a manifest belongs.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ReelQuery {
    /// The reel's id.
    #[param(min_length = 1, max_length = 100)]
    reel: String,
    /// The product.
    #[param(min_length = 1, max_length = 100)]
    product: String,
    /// The manifest's name.
    name: Option<String>,
    /// Which columns, as `chip_id=uid,public_key=spki`.
    map: Option<String>,
    /// Whether an authority's certificates may stand for the chip maker's manifest.
    #[serde(default)]
    from_certificates: bool,
}

/// Receives a reel: all of it or nothing. The body is the manifest.
#[utoipa::path(post, path = "/api/v1/reels", security(("token" = [])),
    params(ReelQuery, ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body(content = Vec<u8>, content_type = "application/octet-stream"), responses((status = 200, body = reel::Received)))]
pub async fn receive_reel(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Query(query): Query<ReelQuery>,
    body: Body,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    let (folder, path) = take_body(query.name.as_deref().unwrap_or("manifest"), body, BODY).await?;
    let file = path.clone();
    let digest = app.work(move |_| examine::intake::digest(&file)).await?;
    let request = format!("reel {query:?} {digest:?}");
    once(&app, &person, &headers, request, move |app| {
        let columns: ColumnMap = match query.map.as_deref() {
            Some(map) => {
                map.parse().map_err(|e: String| Trouble::usage(e, "Give chip_id=COLUMN,public_key=COLUMN."))?
            }
            None => ColumnMap::default(),
        };
        let _folder = folder;
        let options = reel::Options { columns, from_certificates: query.from_certificates };
        let received = reel::receive(&app.site, &path, &query.reel, &query.product, &options, &who, &Course::new())?;
        Ok(received)
    })
    .await
}

/// Where a delivery belongs.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct DeliveryQuery {
    /// The reel.
    #[param(min_length = 1, max_length = 100)]
    reel: String,
    /// The file's name.
    name: Option<String>,
    /// Keep the good part where some of it is refused.
    #[serde(default)]
    accept_part: bool,
}

/// Receives a delivery, inspected as a whole. The body is the file.
#[utoipa::path(post, path = "/api/v1/deliveries", security(("token" = [])),
    params(DeliveryQuery, ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body(content = Vec<u8>, content_type = "application/octet-stream"), responses((status = 200, body = delivery::Received)))]
pub async fn receive_delivery(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Query(query): Query<DeliveryQuery>,
    body: Body,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    let (folder, path) = take_body(query.name.as_deref().unwrap_or("delivery"), body, BODY).await?;
    let file = path.clone();
    let digest = app.work(move |_| examine::intake::digest(&file)).await?;
    let request = format!("delivery {query:?} {digest:?}");
    once(&app, &person, &headers, request, move |app| {
        let _folder = folder;
        let received = delivery::receive(&app.site, &path, &query.reel, query.accept_part, None, &who, &Course::new())?;
        Ok(received)
    })
    .await
}

/// Works the next unit at a station, and waits for its verdict.
#[utoipa::path(post, path = "/api/v1/stations/{station}/units", security(("token" = [])),
    params(("station" = String, Path, description = "Its name"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = WorkUnit, responses((status = 200, body = UnitResult)))]
pub async fn work_unit(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(station): Path<String>,
    Json(wanted): Json<WorkUnit>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    let request = format!("work {station} {wanted:?}");
    once(&app, &person, &headers, request, move |app| {
        let serial = wanted.serial.as_deref().unwrap_or_default();
        match app.desks.scan(&station, serial, &who)? {
            Scanned::Unit(job) => app.desks.work(*job),
            Scanned::Label(_) => Err(Trouble::refused(
                "the label of the last unit was due, and this was taken for its scan",
                "Check labels by their own call.",
            )),
        }
    })
    .await
}

/// Adds a station, or changes how it works.
#[utoipa::path(put, path = "/api/v1/stations/{station}", security(("token" = [])),
    params(("station" = String, Path, description = "Its name"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = SetStation, responses((status = 200, body = Setup)))]
pub async fn set_station(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(station): Path<String>,
    Json(wanted): Json<SetStation>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    let request = format!("station {station} {wanted:?}");
    once(&app, &person, &headers, request, move |app| {
        floor::set_station(&app.site, &station, &wanted, &who)?;
        floor::station(&app.site, station.trim())
    })
    .await
}

/// Scraps a blank chip that will not be used; its certificate counts as spent. Asking again changes nothing.
#[utoipa::path(post, path = "/api/v1/chips/{chip}/scrap", security(("token" = [])),
    params(("chip" = String, Path, description = "Its id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = WhyChip, responses((status = 200, body = ScrappedChip)))]
pub async fn scrap_chip(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(chip): Path<String>,
    Json(why): Json<WhyChip>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    once(&app, &person, &headers, format!("scrap chip {chip} {why:?}"), move |app| {
        scrapping::chip(&app.site, &chip, &why.reason, revoke(why.revoke.as_deref())?, &who)
    })
    .await
}

/// Does something with a unit, once for a key.
async fn act<T: serde::Serialize + Send + 'static>(
    app: &App,
    person: &Person,
    headers: &HeaderMap,
    what: &str,
    serial: String,
    why: Why,
    act: impl FnOnce(&App, &str, &str, bool, &Who) -> Result<T, Trouble> + Send + 'static,
) -> Result<Response, Oops> {
    let who = app.who(person);
    once(app, person, headers, format!("{what} {serial} {why:?}"), move |app| {
        act(app, &serial, unit::reason(&why.reason)?, why.take_over, &who)
    })
    .await
}

/// What is asked for by a program. For production two people agree, and a program is none.
fn revoke(reason: Option<&str>) -> Result<Option<Revoke<'static>>, Trouble> {
    fn no_person(name: &str) -> Result<Zeroizing<String>, Trouble> {
        Err(Trouble::refused(
            format!("{name} is a program, and only a person asks for the revocation of a production certificate"),
            "Leave revoke out, and ask for the revocation on the pages, signed in. Nothing was changed.",
        ))
    }
    let reason = reason.map(revocation::reason).transpose().about("revoke")?;
    Ok(reason.map(|reason| Revoke { reason, standing: Standing::Typed(&no_person) }))
}

/// Scraps a unit and its chip. Its certificate is kept, or its revocation is asked for in the same act.
#[utoipa::path(post, path = "/api/v1/units/{unit}/scrap", security(("token" = [])),
    params(("unit" = String, Path, description = "Its serial number"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = WhyScrap, responses((status = 200, body = ScrappedUnit)))]
pub async fn scrap(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(serial): Path<String>,
    Json(WhyScrap { reason, take_over, revoke: asked }): Json<WhyScrap>,
) -> Result<Response, Oops> {
    let what = asked.as_ref().map_or_else(|| "scrap".to_owned(), |asked| format!("scrap and revoke {asked:?}"));
    act(&app, &person, &headers, &what, serial, Why { reason, take_over }, move |app, serial, why, over, who| {
        scrapping::unit(&app.site, serial, why, over, revoke(asked.as_deref())?, who)
    })
    .await
}

/// Records that a passed unit came back.
#[utoipa::path(post, path = "/api/v1/units/{unit}/return", security(("token" = [])),
    params(("unit" = String, Path, description = "Its serial number"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = Why, responses((status = 200, body = UnitView)))]
pub async fn take_back(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(serial): Path<String>,
    Json(why): Json<Why>,
) -> Result<Response, Oops> {
    act(&app, &person, &headers, "return", serial, why, |app, serial, why, _, who| {
        unit::take_back(&app.site, serial, why, who)
    })
    .await
}

/// Takes the board out of a unit, which then waits for its next one.
#[utoipa::path(post, path = "/api/v1/units/{unit}/swap", security(("token" = [])),
    params(("unit" = String, Path, description = "Its serial number"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = WhySwap, responses((status = 200, body = SentBack)))]
pub async fn swap(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(serial): Path<String>,
    Json(WhySwap { reason, take_over, new_code }): Json<WhySwap>,
) -> Result<Response, Oops> {
    let what = if new_code { "swap with a new code" } else { "swap" };
    act(&app, &person, &headers, what, serial, Why { reason, take_over }, move |app, serial, why, over, who| {
        unit::swap(&app.site, serial, why, new_code, over, who)
    })
    .await
}

/// Makes a unit that passed ready for another owner: a new code on the same board, which is proven again.
#[utoipa::path(post, path = "/api/v1/units/{unit}/refurbish", security(("token" = [])),
    params(("unit" = String, Path, description = "Its serial number"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = WhyRefurbish, responses((status = 200, body = SentBack)))]
pub async fn refurbish(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(serial): Path<String>,
    Json(WhyRefurbish { reason, take_over, erased_by }): Json<WhyRefurbish>,
) -> Result<Response, Oops> {
    let what =
        erased_by.as_ref().map_or_else(|| "refurbish".to_owned(), |name| format!("refurbish, erased by {name:?}"));
    act(&app, &person, &headers, &what, serial, Why { reason, take_over }, move |app, serial, why, _, who| {
        unit::refurbish(&app.site, serial, why, erased_by.as_deref(), who)
    })
    .await
}

/// Records who confirms that the firmware of a refurbished unit has erased what was its owner's.
#[utoipa::path(post, path = "/api/v1/units/{unit}/erased", security(("token" = [])),
    params(("unit" = String, Path, description = "Its serial number"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = Confirm, responses((status = 200, body = ErasedUnit)))]
pub async fn erased(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(serial): Path<String>,
    Json(Confirm { confirmed_by }): Json<Confirm>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    once(&app, &person, &headers, format!("erased {serial} {confirmed_by:?}"), move |app| {
        unit::erased(&app.site, &serial, &confirmed_by, &who)
    })
    .await
}

/// Sends a failed unit to rework.
#[utoipa::path(post, path = "/api/v1/units/{unit}/rework", security(("token" = [])),
    params(("unit" = String, Path, description = "Its serial number"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = Why, responses((status = 200, body = UnitView)))]
pub async fn rework(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(serial): Path<String>,
    Json(why): Json<Why>,
) -> Result<Response, Oops> {
    act(&app, &person, &headers, "rework", serial, why, |app, serial, why, _, who| {
        unit::rework(&app.site, serial, why, who)
    })
    .await
}

/// Holds a scan against the unit's label, and records what came of it.
#[utoipa::path(post, path = "/api/v1/units/{unit}/label-check", security(("token" = [])),
    params(("unit" = String, Path, description = "Its serial number"),
        ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")),
    request_body = Scan, responses((status = 200, body = Checked)))]
pub async fn check_label(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(serial): Path<String>,
    Json(scan): Json<Scan>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    // A scan holds a passcode: only its digest goes into what is kept.
    let request = format!("check {serial} {:?}", site::access::digest(&scan.scanned));
    let length = scan.scanned.chars().count();
    if !(1..=SCAN).contains(&length) {
        return Err(
            Trouble::usage(format!("a scan of {length} characters"), "Scan the symbol on the label once.").into()
        );
    }
    once(&app, &person, &headers, request, move |app| {
        label::check_of_book(&app.site, &serial, &scan.scanned, None, &who.by(), who.now())
    })
    .await
}
