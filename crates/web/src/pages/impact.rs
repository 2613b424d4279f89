//! Impact: which units something touches, and what would stop if it were revoked.

use std::io::{Read as _, Seek as _, Write as _};
use std::path::Path;

use answer::impact;
use answer::impact::{Format, Impact, UnitTouched, Wanted};
use askama::Template;
use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::Uri;
use axum::response::Response;
use base::Trouble;
use line::carton;
use line::carton::PackKind;
use serde::Deserialize;
use site::clock::Zone;
use site::{Site, authority};

use super::given;
use super::report::moment;
use crate::answer::{Oops, download, in_address, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;

/// Units shown one by one; the CSV has all of them.
const SHOWN: usize = 200;

/// What is asked about; every condition that is given must hold.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Asked {
    #[serde(default)]
    authority: String,
    #[serde(default)]
    credential: String,
    #[serde(default)]
    reel: String,
    #[serde(default)]
    delivery: String,
    #[serde(default)]
    station: String,
    #[serde(default)]
    firmware: String,
    #[serde(default)]
    from: String,
    #[serde(default)]
    to: String,
    #[serde(default)]
    carton: String,
    #[serde(default)]
    shipment: String,
}

impl Asked {
    fn any(&self) -> bool {
        let texts =
            [&self.authority, &self.credential, &self.reel, &self.delivery, &self.station, &self.from, &self.to];
        let packed = [&self.firmware, &self.carton, &self.shipment];
        packed.iter().any(|t| given(t).is_some()) || texts.iter().any(|t| given(t).is_some())
    }

    fn wanted(&self, site: &Site, zone: Zone) -> Result<Wanted<'_>, Trouble> {
        let packed = [(PackKind::Carton, &self.carton), (PackKind::Shipment, &self.shipment)];
        let packed = packed.into_iter().find_map(|(kind, name)| Some((kind, given(name)?)));
        Ok(Wanted {
            packed: packed.map(|(kind, name)| carton::named(site, name, Some(kind))).transpose()?,
            authority: given(&self.authority),
            credential: given(&self.credential),
            reel: given(&self.reel),
            delivery: given(&self.delivery),
            station: given(&self.station),
            firmware: given(&self.firmware),
            from: moment(&self.from, "from", zone)?,
            to: moment(&self.to, "to", zone)?,
            ..Wanted::default()
        })
    }
}

#[derive(Template)]
#[template(path = "impact.html")]
struct ImpactPage {
    frame: Frame,
    asked: Asked,
    query: String,
    authorities: Vec<String>,
    told: Option<(Impact, Vec<UnitTouched>)>,
}

impl ImpactPage {
    /// Where the certificate that was asked about is revoked.
    fn revoke(&self) -> Option<String> {
        match (given(&self.asked.authority), given(&self.asked.credential)) {
            (Some(name), None) => Some(format!("/revocation?authority={}", in_address(name))),
            (None, Some(serial)) => Some(format!("/revocation?credential={}", in_address(serial))),
            _ => None,
        }
    }
}

/// `GET /impact`: the form, and what is touched where something was asked about.
///
/// # Errors
///
/// Where what was asked about is not here.
pub async fn show(
    State(app): State<App>,
    person: Person,
    uri: Uri,
    Query(asked): Query<Asked>,
) -> Result<Response, Oops> {
    let query = uri.query().unwrap_or_default().to_owned();
    let told = if asked.any() {
        let wanted = asked.clone();
        let told = app.work(move |app| {
            let mut units = Vec::new();
            let done =
                impact::impact(&app.site, &wanted.wanted(&app.site, site::clock::zone(&app.site)?)?, &mut |unit| {
                    if units.len() < SHOWN {
                        units.push(unit);
                    }
                    Ok(())
                })?;
            Ok((done, units))
        });
        Some(told.await?)
    } else {
        None
    };
    let authorities = app.work(|app| authority::list(&app.site)).await?.into_iter().map(|a| a.name).collect();
    page(&ImpactPage { frame: Frame::new(&app, Some(&person), "/impact"), asked, query, authorities, told })
}

/// `GET /impact.csv`: all units that are touched. Written to an unnamed file first, so that a failure is told and what
/// is sent is whole, however many there are.
///
/// # Errors
///
/// As [`show`].
pub async fn csv(State(app): State<App>, _person: Person, Query(asked): Query<Asked>) -> Result<Response, Oops> {
    let mut file = app
        .work(move |app| {
            let name = Path::new("a temporary file");
            let failed = |e| Trouble::file(name, e);
            let mut out = std::io::BufWriter::new(tempfile::tempfile().map_err(failed)?);
            impact::write_to(
                &app.site,
                &asked.wanted(&app.site, site::clock::zone(&app.site)?)?,
                Format::Csv,
                &mut out,
                name,
            )?;
            out.flush().map_err(failed)?;
            let mut file = out.into_inner().map_err(|e| failed(e.into_error()))?;
            file.rewind().map_err(failed)?;
            Ok(file)
        })
        .await?;
    let (send, receive) = tokio::sync::mpsc::channel::<std::io::Result<Vec<u8>>>(2);
    tokio::task::spawn_blocking(move || {
        loop {
            let mut piece = vec![0; 1 << 16];
            let piece = match file.read(&mut piece) {
                Ok(0) => return,
                Ok(n) => {
                    piece.truncate(n);
                    Ok(piece)
                }
                Err(e) => Err(e),
            };
            // Whoever asked may have gone.
            let ended = piece.is_err();
            if send.blocking_send(piece).is_err() || ended {
                return;
            }
        }
    });
    let body = Body::from_stream(tokio_stream::wrappers::ReceiverStream::new(receive));
    Ok(download("text/csv; charset=utf-8", "impact.csv", body))
}
