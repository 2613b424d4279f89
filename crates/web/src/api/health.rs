//! Whether the server is well, and its numbers for Prometheus.

use std::fmt::Write;

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use line::floor;
use serde_json::Value;

use super::bodies::{Health, Problem, Wellness};
use crate::answer::Oops;
use crate::app::App;

/// Whether the server answers, and its book with it.
#[utoipa::path(get, path = "/health", responses((status = 200, body = Health), (status = 503, body = Problem)))]
pub async fn health(State(app): State<App>) -> Result<Json<Health>, Oops> {
    let entries = app.work(|app| floor::entries(&app.site)).await?;
    Ok(Json(Health { state: Wellness::Well, entries }))
}

/// Numbers in Prometheus' text format, version 0.0.4.
#[utoipa::path(get, path = "/metrics", security(("token" = [])), responses(
    (status = 200, content_type = "text/plain", body = String), (status = 401, body = Problem),
    (status = 403, body = Problem), (status = 503, body = Problem)))]
pub async fn metrics(State(app): State<App>) -> Result<Response, Oops> {
    let (totals, age, entries, line) = app
        .work(|app| {
            let (totals, age) = app.counts.get(|| floor::totals(&app.site))?;
            Ok((totals, age, floor::entries(&app.site)?, floor::line(&app.site, (app.clock)())?))
        })
        .await?;
    let mut out = String::new();
    for (thing, help) in
        [("chips", "Chips by state"), ("credentials", "Credentials by state"), ("units", "Units by state")]
    {
        let _ = writeln!(out, "# HELP touchmark_{thing} {help}\n# TYPE touchmark_{thing} gauge");
        for (state, n) in serde_json::json!(totals).get(thing).and_then(Value::as_object).into_iter().flatten() {
            let _ = writeln!(out, "touchmark_{thing}{{state=\"{state}\"}} {n}");
        }
    }
    let _ = writeln!(
        out,
        "# HELP touchmark_counts_age_seconds Age of the counts by state\n# TYPE touchmark_counts_age_seconds gauge"
    );
    let _ = writeln!(out, "touchmark_counts_age_seconds {:.3}", age.as_secs_f64());
    let _ = writeln!(out, "# HELP touchmark_log_entries Entries in the log\n# TYPE touchmark_log_entries counter");
    let _ = writeln!(out, "touchmark_log_entries {entries}");
    let _ = writeln!(out, "# HELP touchmark_shift_units Attempts of this shift by station and result");
    let _ = writeln!(out, "# TYPE touchmark_shift_units gauge");
    for (setup, count) in &line.stations {
        let station = label_value(&setup.station);
        let _ = writeln!(out, "touchmark_shift_units{{station=\"{station}\",result=\"passed\"}} {}", count.passed);
        let _ = writeln!(out, "touchmark_shift_units{{station=\"{station}\",result=\"failed\"}} {}", count.failed);
    }
    let _ = writeln!(out, "# HELP touchmark_stock Credentials free by product\n# TYPE touchmark_stock gauge");
    for stock in &line.stock {
        let _ = writeln!(out, "touchmark_stock{{product=\"{}\"}} {}", label_value(&stock.product), stock.available);
    }
    let mut response = out.into_response();
    let kind = HeaderValue::from_static("text/plain; version=0.0.4; charset=utf-8");
    response.headers_mut().insert(header::CONTENT_TYPE, kind);
    Ok(response)
}

/// A label's value as the format wants it.
fn label_value(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}
