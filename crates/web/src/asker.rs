//! Whoever sends a form: who it is, at which site, and how the answer goes back.

use axum::extract::{FromRequestParts, State};
use axum::http::HeaderMap;
use axum::http::request::Parts;
use axum::response::Response;
use base::Trouble;
use site::Who;

use crate::answer::{Oops, go};
use crate::app::App;
use crate::guard::Person;

/// A person who does something.
pub struct Asker {
    pub app: App,
    pub person: Person,
    /// What came with it: whether a part of a page is wanted.
    pub headers: HeaderMap,
}

impl FromRequestParts<App> for Asker {
    type Rejection = Oops;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Oops> {
        let person = Person::from_request_parts(parts, app).await?;
        let Ok(State(app)) = State::<App>::from_request_parts(parts, app).await;
        Ok(Self { app, person, headers: parts.headers.clone() })
    }
}

impl Asker {
    /// Calls the rooms in the person's name.
    ///
    /// # Errors
    ///
    /// What the rooms say.
    pub async fn work<T: Send + 'static>(
        &self,
        act: impl FnOnce(&App, &Who) -> Result<T, Trouble> + Send + 'static,
    ) -> Result<T, Oops> {
        let who = self.app.who(&self.person);
        self.app.work(move |app| act(app, &who)).await
    }

    /// The same, and leads on to a page once it is done.
    ///
    /// # Errors
    ///
    /// What the rooms say.
    pub async fn act<T: Send + 'static>(
        &self,
        to: &str,
        act: impl FnOnce(&App, &Who) -> Result<T, Trouble> + Send + 'static,
    ) -> Result<Response, Oops> {
        self.work(act).await?;
        Ok(go(&self.headers, to))
    }
}
