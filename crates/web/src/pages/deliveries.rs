//! Deliveries: what came, and receiving it.

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use receive::{delivery, reel};
use zeroize::Zeroizing;

use super::{Part, SHOWN, given};
use crate::answer::{Oops, in_address, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Files, Group, Task, Upload};
use crate::on_page::filters;

#[derive(Template)]
#[template(path = "deliveries.html")]
struct ListPage {
    frame: Frame,
    deliveries: Vec<delivery::DeliveryView>,
    reels: Vec<reel::Choice>,
    /// Rows before those shown.
    from: usize,
    older: Option<usize>,
}

#[derive(Template)]
#[template(path = "delivery.html")]
struct DeliveryPage {
    frame: Frame,
    delivery: delivery::DeliveryView,
    groups: Vec<Group>,
}

impl DeliveryPage {
    fn withdraw_address(&self) -> String {
        format!("/deliveries/{}/withdraw", in_address(&self.delivery.delivery))
    }
}

/// A reel, and how many of its chips wait.
fn left(reel: &reel::Choice) -> String {
    format!("{}, {} of {} without a credential", reel.reel, reel.without_credential, reel.chips)
}

/// `GET /deliveries`.
pub async fn list(State(app): State<App>, person: Person, Query(part): Query<Part>) -> Result<Response, Oops> {
    let from = part.begins();
    let asked = move |app: &App| Ok((delivery::newest(&app.site, None, from, SHOWN)?, reel::choices(&app.site)?));
    let ((deliveries, more), reels) = app.work(asked).await?;
    let older = more.then_some(from + SHOWN);
    page(&ListPage { frame: Frame::new(&app, Some(&person), "/deliveries"), deliveries, reels, from, older })
}

/// `POST /deliveries`: receives a delivery.
///
/// # Errors
///
/// Where the form makes no sense.
pub async fn receive(asker: Asker, form: Files) -> Result<Response, Oops> {
    let task = |upload: &Upload| {
        let password = given(upload.text("password")).map(|p| Zeroizing::new(p.as_bytes().to_vec()));
        Ok(Task::Delivery { reel: upload.text("reel").to_owned(), password })
    };
    incoming::bring(&asker, form, "file", task).await
}

/// `GET /deliveries/{delivery}`.
///
/// # Errors
///
/// Where there is none.
pub async fn show(State(app): State<App>, person: Person, Path(id): Path<String>) -> Result<Response, Oops> {
    let delivery = app.work(move |app| delivery::show(&app.site, &id)).await?;
    let groups = delivery.report.as_ref().map(|report| incoming::grouped(&report.findings)).unwrap_or_default();
    page(&DeliveryPage { frame: Frame::new(&app, Some(&person), "/deliveries"), delivery, groups })
}

/// `POST /deliveries/{delivery}/withdraw`.
///
/// # Errors
///
/// Where a unit has one of its certificates.
pub async fn withdraw(asker: Asker, Path(id): Path<String>) -> Result<Response, Oops> {
    asker.act("/deliveries", move |app, who| delivery::withdraw(&app.site, &id, who)).await
}
