//! Everything a page needs beside its HTML, inside the program: a factory floor has no internet.

use std::sync::OnceLock;

use axum::extract::Path;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};

use crate::answer::Oops;

/// Name, type, octets.
const ASSETS: &[(&str, &str, &[u8])] = &[
    ("touchmark.css", "text/css; charset=utf-8", include_bytes!("../assets/touchmark.css")),
    ("theme.js", "text/javascript; charset=utf-8", include_bytes!("../assets/theme.js")),
    ("touchmark.js", "text/javascript; charset=utf-8", include_bytes!("../assets/touchmark.js")),
    ("htmx.js", "text/javascript; charset=utf-8", include_bytes!("../assets/htmx.js")),
    ("htmx-sse.js", "text/javascript; charset=utf-8", include_bytes!("../assets/htmx-sse.js")),
    ("licences.txt", "text/plain; charset=utf-8", include_bytes!("../../../packaging/licences.txt")),
    ("mark.svg", "image/svg+xml", include_bytes!("../assets/mark.svg")),
    ("next-400.ttf", "font/ttf", include_bytes!("../../print/fonts/AtkinsonHyperlegibleNext-Regular.ttf")),
    ("next-700.ttf", "font/ttf", include_bytes!("../../print/fonts/AtkinsonHyperlegibleNext-Bold.ttf")),
    ("mono-400.ttf", "font/ttf", include_bytes!("../../print/fonts/AtkinsonHyperlegibleMono-Regular.ttf")),
    ("mono-700.ttf", "font/ttf", include_bytes!("../../print/fonts/AtkinsonHyperlegibleMono-Bold.ttf")),
];

/// Changes with the assets, so that a browser keeps them until then.
pub fn version() -> &'static str {
    static VERSION: OnceLock<String> = OnceLock::new();
    VERSION.get_or_init(|| {
        let all: Vec<u8> = ASSETS.iter().flat_map(|(_, _, octets)| octets.iter().copied()).collect();
        site::access::digest(&String::from_utf8_lossy(&all)).iter().take(6).map(|b| format!("{b:02x}")).collect()
    })
}

/// `GET /assets/{file}`.
///
/// # Errors
///
/// [`Oops::Missing`].
pub async fn get(Path(file): Path<String>) -> Result<Response, Oops> {
    let (_, kind, octets) = ASSETS.iter().find(|(name, _, _)| *name == file).ok_or(Oops::Missing)?;
    let mut response = (*octets).into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("public, max-age=31536000, immutable"));
    Ok(response)
}
