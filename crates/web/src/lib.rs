//! Pages and HTTP API over the rooms.
//!
//! A page decides nothing: it asks a function of the rooms below and shows the answer,
//! the same that a command would. Start at [`serve::run`]; [`routes`] lists every
//! path with who may use it, and [`guard`] holds each request against that list.
//! What the book does takes its time, so that every call of it leaves the threads
//! that answer ([`app::App::work`]).

pub mod again;
pub mod answer;
pub mod api;
pub mod app;
pub mod asker;
pub mod assets;
pub mod connections;
pub mod counts;
mod est;
mod form;
pub mod frame;
pub mod guard;
pub mod incoming;
pub mod look;
pub mod on_page;
pub mod pages;
pub mod routes;
pub mod serve;
