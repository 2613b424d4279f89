//! The same work for a manufacturing-execution system: JSON over HTTP.
//!
//! Each call carries `Authorization: Bearer TOKEN`; the token's role is the
//! caller's. What changes something takes an `Idempotency-Key`, so that a call sent
//! twice is done once. The document at `/api/openapi.json` is made from this code.

mod acts;
mod bodies;
mod cartons;
mod dividing;
mod health;
pub mod once;
mod reads;
mod withdrawing;

use axum::Json;
use site::access::Role;
use utoipa::openapi::security::{Http, HttpAuthScheme, SecurityScheme};
use utoipa::openapi::{Content, Ref, Response, ResponseBuilder};
use utoipa::{Modify, OpenApi};

use crate::routes::{Need, Routes};

/// The document.
#[derive(OpenApi)]
#[openapi(
    info(title = "touchmark", description = "What a line does with device identities, for other programs of the factory."),
    paths(
        reads::site, reads::products, reads::reels, reads::reel, reads::deliveries, reads::delivery, reads::units,
        reads::unit, reads::find, reads::stations, reads::line, reads::troubles, reads::totals, reads::events,
        reads::revocation, reads::revocation_list, reads::revocation_point,
        acts::receive_reel, acts::receive_delivery, acts::work_unit, acts::scrap, acts::take_back, acts::rework,
        acts::swap, acts::refurbish, acts::erased,
        dividing::split, dividing::assign, cartons::list, cartons::show, cartons::pack, cartons::unpack,
        acts::check_label, acts::set_station, acts::scrap_chip, withdrawing::reel,
        withdrawing::delivery, withdrawing::authority, withdrawing::declaration, health::health, health::metrics,
    ),
    components(schemas(bodies::Problem, bodies::AtStation)),
    modifiers(&Bearer, &Described),
)]
pub struct Document;

struct Bearer;

impl Modify for Bearer {
    fn modify(&self, openapi: &mut utoipa::openapi::OpenApi) {
        if let Some(components) = openapi.components.as_mut() {
            let scheme = SecurityScheme::Http(Http::new(HttpAuthScheme::Bearer));
            components.add_security_scheme("token", scheme);
        }
    }
}

/// Every response must have a description in such a document; what a status means, and how a call fails, is the same for
/// all calls.
struct Described;

/// What a status of this API says.
fn meaning(status: &str) -> &'static str {
    match status {
        "200" => "Done, or what was asked for.",
        "400" => "Wrong usage or unreadable input; nothing was changed.",
        "401" => "No token that holds.",
        "403" => "The token's role does not allow it.",
        "404" => "What was named is not here.",
        "409" => "The call with this Idempotency-Key is still being worked.",
        "413" => "The body is too large.",
        "415" => "The body is not of the type that is read here.",
        "422" => "Read, judged and refused; nothing was changed.",
        "503" => "The surroundings failed: database, token, disk or device.",
        _ => "Another answer.",
    }
}

/// Failures of each call below `/api/v1`, and those of one that changes something.
const FAILURES: &[&str] = &["400", "401", "403", "404", "503"];
const FAILURES_OF_ACTS: &[&str] = &["409", "413", "415", "422"];

fn failure() -> Response {
    let problem = Content::new(Some(Ref::from_schema_name("Problem")));
    ResponseBuilder::new().content("application/json", problem).build()
}

impl Modify for Described {
    fn modify(&self, openapi: &mut utoipa::openapi::OpenApi) {
        for (path, item) in &mut openapi.paths.paths {
            let acts = [&mut item.post, &mut item.put].into_iter().flatten().map(|act| (act, FAILURES_OF_ACTS));
            for (operation, more) in item.get.iter_mut().map(|read| (read, &[][..])).chain(acts) {
                let responses = &mut operation.responses.responses;
                for status in FAILURES.iter().chain(more).filter(|_| path.starts_with("/api/v1/")) {
                    responses.entry((*status).to_owned()).or_insert_with(|| failure().into());
                }
                for (status, response) in responses {
                    if let utoipa::openapi::RefOr::T(response) = response
                        && response.description.is_empty()
                    {
                        meaning(status).clone_into(&mut response.description);
                    }
                }
            }
        }
    }
}

async fn document() -> Json<utoipa::openapi::OpenApi> {
    Json(Document::openapi())
}

pub(crate) fn routes(
    routes: Routes,
    all: &'static [Role],
    floor: &'static [Role],
    read: &'static [Role],
    engineer: &'static [Role],
) -> Routes {
    routes
        .get("/api/openapi.json", Need::Nobody, document)
        .get("/health", Need::Nobody, health::health)
        .get("/metrics", Need::Api(read), health::metrics)
        .get("/api/v1/site", Need::Api(all), reads::site)
        .get("/api/v1/products", Need::Api(all), reads::products)
        .get("/api/v1/reels", Need::Api(all), reads::reels)
        .post("/api/v1/reels", Need::Api(engineer), acts::receive_reel)
        .get("/api/v1/reels/{reel}", Need::Api(all), reads::reel)
        .post("/api/v1/reels/{reel}/split", Need::Api(engineer), dividing::split)
        .post("/api/v1/reels/{reel}/assign", Need::Api(engineer), dividing::assign)
        .post("/api/v1/reels/{reel}/withdraw", Need::Api(engineer), withdrawing::reel)
        .post("/api/v1/deliveries/{delivery}/withdraw", Need::Api(engineer), withdrawing::delivery)
        .post("/api/v1/authorities/{authority}/withdraw", Need::Api(engineer), withdrawing::authority)
        .post("/api/v1/declarations/{declaration}/withdraw", Need::Api(engineer), withdrawing::declaration)
        .get("/api/v1/deliveries", Need::Api(all), reads::deliveries)
        .post("/api/v1/deliveries", Need::Api(engineer), acts::receive_delivery)
        .get("/api/v1/deliveries/{delivery}", Need::Api(all), reads::delivery)
        .get("/api/v1/units", Need::Api(all), reads::units)
        .get("/api/v1/units/{unit}", Need::Api(all), reads::unit)
        .post("/api/v1/units/{unit}/scrap", Need::Api(engineer), acts::scrap)
        .post("/api/v1/units/{unit}/return", Need::Api(engineer), acts::take_back)
        .post("/api/v1/units/{unit}/rework", Need::Api(engineer), acts::rework)
        .post("/api/v1/units/{unit}/swap", Need::Api(engineer), acts::swap)
        .post("/api/v1/units/{unit}/refurbish", Need::Api(engineer), acts::refurbish)
        .post("/api/v1/units/{unit}/erased", Need::Api(engineer), acts::erased)
        .post("/api/v1/units/{unit}/label-check", Need::Api(floor), acts::check_label)
        .get("/api/v1/cartons", Need::Api(all), cartons::list)
        .get("/api/v1/cartons/{carton}", Need::Api(all), cartons::show)
        .post("/api/v1/cartons/{carton}/pack", Need::Api(floor), cartons::pack)
        .post("/api/v1/cartons/{carton}/unpack", Need::Api(floor), cartons::unpack)
        .get("/api/v1/find", Need::Api(all), reads::find)
        .get("/api/v1/stations", Need::Api(all), reads::stations)
        .put("/api/v1/stations/{station}", Need::Api(engineer), acts::set_station)
        .post("/api/v1/chips/{chip}/scrap", Need::Api(engineer), acts::scrap_chip)
        .post("/api/v1/stations/{station}/units", Need::Api(floor), acts::work_unit)
        .get("/api/v1/line", Need::Api(all), reads::line)
        .get("/api/v1/line/troubles", Need::Api(all), reads::troubles)
        .get("/api/v1/revocation", Need::Api(read), reads::revocation)
        .get("/api/v1/revocation/lists/{issuer}", Need::Api(read), reads::revocation_list)
        .get("/api/v1/revocation/lists/{issuer}/point", Need::Api(read), reads::revocation_point)
        .get("/api/v1/totals", Need::Api(all), reads::totals)
        .get("/api/v1/events", Need::Api(all), reads::events)
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;

    /// Properties that are words of a closed list, wherever they stand.
    const WORDS: &[&str] = &["credential_state", "event", "origin", "purpose", "role", "severity", "state", "verdict"];

    fn resolved<'a>(document: &'a Value, schema: &'a Value) -> &'a Value {
        match schema["$ref"].as_str() {
            Some(to) => document.pointer(to.trim_start_matches('#')).unwrap_or_else(|| panic!("{to} leads nowhere")),
            None => schema,
        }
    }

    /// Whether a schema says no more than that there is something.
    fn is_open(schema: &Value) -> bool {
        let says = |key: &str| schema.get(key).is_some();
        let is_object =
            schema["type"] == "object" || schema["type"].as_array().is_some_and(|t| t.contains(&"object".into()));
        let is_combined = ["allOf", "anyOf", "oneOf", "$ref"].iter().any(|key| says(key));
        !is_combined
            && (!says("type") && !says("enum") || is_object && !says("properties") && !says("additionalProperties"))
    }

    fn is_closed_word(document: &Value, schema: &Value) -> bool {
        let schema = resolved(document, schema);
        let any = ["oneOf", "anyOf", "allOf"].iter().filter_map(|key| schema[key].as_array()).flatten();
        schema.get("enum").is_some() || any.into_iter().any(|one| is_closed_word(document, one))
    }

    fn look(document: &Value, at: &str, schema: &Value, seen: &mut Vec<String>, wrong: &mut Vec<String>) {
        if let Some(to) = schema["$ref"].as_str() {
            if seen.iter().any(|s| s == to) {
                return;
            }
            seen.push(to.to_owned());
        }
        let schema = resolved(document, schema);
        if is_open(schema) {
            wrong.push(format!("{at}: {schema}"));
        }
        let has_capitals = |word: &Value| word.as_str().is_none_or(|word| word.chars().any(char::is_uppercase));
        if schema["enum"].as_array().is_some_and(|words| words.iter().any(has_capitals)) {
            wrong.push(format!("{at} has other words than the answers: {schema}"));
        }
        for (name, property) in schema["properties"].as_object().into_iter().flatten() {
            let at = format!("{at}.{name}");
            if WORDS.contains(&name.as_str()) && !is_closed_word(document, property) {
                wrong.push(format!("{at} is a word of no list: {property}"));
            }
            look(document, &at, property, seen, wrong);
        }
        for key in ["oneOf", "anyOf", "allOf", "prefixItems"] {
            for one in schema[key].as_array().into_iter().flatten().filter(|one| one["type"] != "null") {
                look(document, at, one, seen, wrong);
            }
        }
        for key in ["items", "additionalProperties"] {
            if schema[key].is_object() {
                look(document, &format!("{at}[]"), &schema[key], seen, wrong);
            }
        }
    }

    /// A program of the factory reads what an answer holds off the document, so none is an object of anything, and what
    /// is one of a few words says which.
    #[test]
    fn every_answer_says_all_that_it_holds() {
        let document = serde_json::to_value(Document::openapi()).expect("JSON");
        let (mut answers, mut seen, mut wrong) = (0, Vec::new(), Vec::new());
        for (path, item) in document["paths"].as_object().expect("paths") {
            for (method, operation) in item.as_object().expect("methods") {
                for (kind, content) in operation["responses"]["200"]["content"].as_object().into_iter().flatten() {
                    if kind == "application/json" {
                        answers += 1;
                        look(&document, &format!("{method} {path}"), &content["schema"], &mut seen, &mut wrong);
                    }
                }
            }
        }
        look(&document, "event", &document["components"]["schemas"]["AtStation"], &mut seen, &mut wrong);
        assert!(wrong.is_empty(), "{wrong:#?}");
        assert!(answers > 20, "{answers}");
    }
}
