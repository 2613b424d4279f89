//! Taking back what nothing depends on yet.

use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::Response;
use base::Trouble;
use receive::{delivery, reel};
use serde::Serialize;
use site::{Site, Who, authority, declaration};

use super::once::once;
use crate::answer::Oops;
use crate::app::App;
use crate::guard::Person;

async fn withdraw<T: Serialize + Send + 'static>(
    (app, person, headers): (App, Person, HeaderMap),
    what: &str,
    name: String,
    act: fn(&Site, &str, &Who) -> Result<T, Trouble>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    once(&app, &person, &headers, format!("withdraw {what} {name}"), move |app| act(&app.site, &name, &who)).await
}

/// One route each: they differ in what is withdrawn, and in the name of their parameter.
macro_rules! withdrawals {
    ($($(#[$doc:meta])* $what:ident at $path:literal, $parameter:literal is $of:literal;)*) => {$(
        $(#[$doc])*
        #[utoipa::path(post, path = $path, security(("token" = [])),
            params(($parameter = String, Path, description = $of),
                ("Idempotency-Key" = Option<String>, Header, description = "Done once for one key")), responses((status = 200, body = $what::Withdrawn)))]
        pub async fn $what(
            State(app): State<App>,
            person: Person,
            headers: HeaderMap,
            Path(name): Path<String>,
        ) -> Result<Response, Oops> {
            withdraw((app, person, headers), stringify!($what), name, $what::withdraw).await
        }
    )*};
}

withdrawals! {
    /// Withdraws a reel that nothing depends on.
    reel at "/api/v1/reels/{reel}/withdraw", "reel" is "Its id";
    /// Withdraws a delivery before its first unit.
    delivery at "/api/v1/deliveries/{delivery}/withdraw", "delivery" is "Its id";
    /// Withdraws an authority that nothing depends on.
    authority at "/api/v1/authorities/{authority}/withdraw", "authority" is "Its name";
    /// Withdraws a declaration that no unit was made with.
    declaration at "/api/v1/declarations/{declaration}/withdraw", "declaration" is "Its name";
}
