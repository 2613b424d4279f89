//! Examining any files: what they are, how they link, which rules they keep.

use std::path::PathBuf;

use askama::Template;
use axum::extract::State;
use axum::response::Response;
use base::Trouble;
use site::{authority, declaration};
use standard::verdict::{Device, Rule, all_rules};

use super::authorities::identity;
use crate::answer::{Oops, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Files, Task};

#[derive(Template)]
#[template(path = "examine.html")]
struct ExaminePage {
    frame: Frame,
    rules: Vec<&'static Rule>,
    trusted: usize,
}

impl ExaminePage {
    fn trust_words(&self) -> String {
        let roots = if self.trusted == 1 { "root" } else { "roots" };
        format!("Trust what this site trusts: {} {roots} and the signers of its declarations", self.trusted)
    }
}

/// `GET /examine`.
///
/// # Errors
///
/// Where it can't be drawn.
pub async fn show(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let trusted = app.work(|app| Ok(authority::list(&app.site)?.iter().filter(|a| a.trusted).count())).await?;
    page(&ExaminePage { frame: Frame::new(&app, Some(&person), "/examine"), rules: all_rules(), trusted })
}

/// `POST /examine`: judges what was dropped; nothing of it is kept.
///
/// # Errors
///
/// Where the form makes no sense.
pub async fn examine(asker: Asker, form: Files) -> Result<Response, Oops> {
    let mut upload = incoming::take(form).await?;
    let (vendor, product) = identity(upload.text("vendor"), upload.text("product"))?;
    let (mut trust, mut signers) = (upload.of("trust"), upload.of("signer"));
    if upload.fields.contains_key("site_trust") {
        let folder = upload.folder_path().join("site");
        let known = asker
            .app
            .work(move |app| {
                std::fs::create_dir_all(&folder).map_err(|e| Trouble::file(&folder, e))?;
                let write = |what: &str, ders: Vec<Vec<u8>>| -> Result<Vec<PathBuf>, Trouble> {
                    let write = |(at, der): (usize, Vec<u8>)| {
                        let path = folder.join(format!("{what}-{at}.der"));
                        std::fs::write(&path, der).map_err(|e| Trouble::file(&path, e))?;
                        Ok(path)
                    };
                    ders.into_iter().enumerate().map(write).collect()
                };
                let roots = write("root", authority::trusted(&app.site)?)?;
                Ok((roots, write("signer", declaration::signers(&app.site)?)?))
            })
            .await?;
        trust.extend(known.0);
        signers.extend(known.1);
    }
    let device = Device { vendor, product, by_declaration: false };
    upload.files.retain(|(field, _)| field == "file");
    incoming::inspect(&asker, Task::Examine { trust, signers, device }, upload, "file").await
}
