//! Products.

use askama::Template;
use axum::Form;
use axum::extract::State;
use axum::response::Response;
use base::Trouble;
use serde::Deserialize;
use site::product::{Description, ProductView};
use site::record_place::{RecordFormat, RecordPlace};
use site::{declaration, product};

use super::given;
use crate::answer::{Oops, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::on_page::filters;

#[derive(Template)]
#[template(path = "products.html")]
struct ListPage {
    frame: Frame,
    products: Vec<ProductView>,
    declared: usize,
}

/// A new product.
#[derive(Deserialize)]
pub struct Add {
    #[serde(default)]
    name: String,
    #[serde(default)]
    vendor: String,
    #[serde(default)]
    product: String,
    #[serde(default)]
    purpose: String,
    #[serde(default)]
    device_type: String,
    #[serde(default)]
    reach: String,
    #[serde(default)]
    flow: String,
    #[serde(default)]
    vendor_name: String,
    #[serde(default)]
    product_name: String,
    #[serde(default)]
    lock: Option<String>,
    #[serde(default)]
    factory_record: Option<String>,
    #[serde(default)]
    serial_in_qr: Option<String>,
    #[serde(default)]
    record: String,
}

/// `GET /products`.
pub async fn list(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let (products, declared) =
        app.work(|app| Ok((product::list(&app.site)?, declaration::list(&app.site)?.len()))).await?;
    page(&ListPage { frame: Frame::new(&app, Some(&person), "/products"), products, declared })
}

/// A device type as people write it: decimal, or hex after `0x`.
pub(crate) fn device_type(text: &str) -> Result<u32, Trouble> {
    let text = text.trim();
    let read = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
    let read = read.map_or_else(|| text.parse().ok(), |hex| u32::from_str_radix(hex, 16).ok());
    read.ok_or_else(|| {
        Trouble::usage(format!("{text:?} is not a device type"), "Give it as 0x0202 or 514.").about("device_type")
    })
}

/// The form of a product's factory records; none where it was left out.
fn record(text: &str) -> Result<Option<RecordFormat>, Trouble> {
    let parsed = given(text).map(str::parse::<RecordFormat>).transpose();
    parsed.map_err(|e| {
        Trouble::usage(format!("{text:?} is not a form of a factory record"), format!("Choose {e}.")).about("record")
    })
}

/// `POST /products`.
///
/// # Errors
///
/// Where it makes no sense.
pub async fn add(asker: Asker, Form(form): Form<Add>) -> Result<Response, Oops> {
    let reach = form.reach.split([',', ' ']).filter(|w| !w.is_empty()).collect::<Vec<_>>().join(",");
    let kind = self::device_type(&form.device_type)?;
    let description = Description {
        purpose: given(&form.purpose).map(str::to_owned),
        flow: given(&form.flow).unwrap_or("standard").to_owned(),
        vendor_name: given(&form.vendor_name).map(str::to_owned),
        product_name: given(&form.product_name).map(str::to_owned),
        factory_record: form.factory_record.is_some(),
        lock: form.lock.is_some(),
        serial_in_qr: form.serial_in_qr.is_some(),
        record: record(&form.record)?.map(RecordPlace::of),
        ..Description::new(form.vendor.trim(), form.product.trim(), kind, &reach)
    };
    asker.act("/products", move |app, who| product::add(&app.site, form.name.trim(), &description, who)).await
}
