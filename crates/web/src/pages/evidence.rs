//! Evidence of a unit for an auditor: the signed pack, and the key it is checked with.

use axum::extract::{Path, State};
use axum::response::Response;
use works::evidence::{self, Which};
use works::{Trouble, head};

use crate::answer::{Oops, download};
use crate::app::App;
use crate::guard::Person;

/// `POST /units/{unit}/evidence`: a signed pack of one unit, which is an entry of the log.
///
/// # Errors
///
/// Where there is no such unit.
pub async fn pack(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let who = app.who(&person);
    let (file, octets) = app
        .work(move |app| {
            let plain: String = name.chars().filter(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_')).collect();
            let file = format!("evidence-{plain}.zip");
            let folder =
                tempfile::tempdir().map_err(|e| Trouble::file(std::path::Path::new("a temporary folder"), e))?;
            let out = folder.path().join(&file);
            evidence::export(&app.site, &Which::Units(&[name]), &out, None, &who)?;
            let octets = std::fs::read(&out).map_err(|e| Trouble::file(&out, e))?;
            Ok((file, octets))
        })
        .await?;
    Ok(download("application/zip", &file, octets))
}

/// `POST /evidence/key`: the public key of the site's log, which the first asking makes.
///
/// # Errors
///
/// Where the site key does not open.
pub async fn key(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let who = app.who(&person);
    let pem = app.work(move |app| head::public_pem(&app.site, None, &who)).await?;
    Ok(download("application/x-pem-file", "log-public-key.pem", pem))
}
