//! The server: where it listens, TLS, and an end that loses nothing.

use std::net::{IpAddr, SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum_server::Handle;
use axum_server::tls_rustls::{RustlsAcceptor, RustlsConfig};
use base::Trouble;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use site::{Site, Who, access};
use tokio::sync::watch;

use crate::app::App;
pub use crate::app::Opener;
use crate::connections::{self, Connections, Doorkeeper, Patience};
use crate::routes;

/// How long open answers may take once the server is to stop.
const GRACE: Duration = Duration::from_secs(10);

/// How to serve.
#[derive(Debug, Clone)]
pub struct Serve {
    /// Address and port; port 0 takes a free one.
    pub listen: SocketAddr,
    /// Certificate chain and private key, both PEM files.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// How long requests may take to come.
    pub patience: Patience,
    /// Opens the keys of issuers that other sites ask.
    pub unlock: Option<Opener>,
}

/// What is told once the server listens.
#[derive(Debug, Clone)]
pub struct Started {
    pub address: String,
    /// The one-time link of a site without accounts.
    pub first: Option<String>,
}

fn tls(chain: &PathBuf, key: &PathBuf) -> Result<RustlsConfig, Trouble> {
    let unread = |path: &PathBuf, e: &dyn std::fmt::Display| {
        Trouble::usage(format!("{}: {e}", path.display()), "Give a PEM file that this user may read.")
    };
    let certificates: Vec<CertificateDer<'static>> =
        CertificateDer::pem_file_iter(chain).and_then(Iterator::collect).map_err(|e| unread(chain, &e))?;
    let private = PrivateKeyDer::from_pem_file(key).map_err(|e| unread(key, &e))?;
    let odd = |e: rustls::Error| {
        Trouble::usage(
            format!("certificate and key can't be used: {e}"),
            "Check that the key belongs to the certificate.",
        )
    };
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let mut config = rustls::ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(odd)?
        .with_no_client_auth()
        .with_single_cert(certificates, private)
        .map_err(odd)?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(RustlsConfig::from_config(Arc::new(config)))
}

/// Refuses what would let strangers in.
fn check(site: &Site, serve: &Serve) -> Result<(), Trouble> {
    if serve.listen.ip().is_loopback() {
        return Ok(());
    }
    let beyond =
        |what: &str, advice: &str| Trouble::refused(format!("listening at {} {what}", serve.listen), advice.to_owned());
    if serve.tls.is_none() {
        return Err(beyond(
            "lets passwords and passcodes travel in the open",
            "Give --tls-certificate and --tls-key, or listen at 127.0.0.1.",
        ));
    }
    if !access::has_accounts(site)? {
        return Err(beyond(
            "on a site without accounts would let anybody take it over",
            "Start once with --listen 127.0.0.1:8080, make the first account, then listen beyond.",
        ));
    }
    Ok(())
}

/// Serves the pages and the API of a site until the process is told to stop.
///
/// - `told`: called once it listens.
///
/// # Errors
///
/// [`Trouble`] where it may not or can't listen.
pub fn run(site: Site, serve: &Serve, told: impl FnOnce(&Started) + Send + 'static) -> Result<(), Trouble> {
    check(&site, serve)?;
    let tls = serve.tls.as_ref().map(|(chain, key)| tls(chain, key)).transpose()?;
    let (close, closing) = watch::channel(false);
    let app = App::new(site, tls.is_some(), closing)?;
    let patience = *app.patience.get_or_init(|| serve.patience);
    if let Some(unlock) = &serve.unlock {
        let _ = app.unlock.set(unlock.clone());
    }
    let listener = TcpListener::bind(serve.listen).and_then(|l| l.set_nonblocking(true).map(|()| l)).map_err(|e| {
        Trouble::surroundings(
            format!("{} can't be listened at: {e}", serve.listen),
            "Check whether another program uses this port, or choose another one.",
        )
    })?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .thread_name("pages")
        .build()
        .map_err(|e| Trouble::surroundings(format!("the server can't start: {e}"), "Check the system's limits."))?;
    // The last one to hold the book must not be a task: a database client can't be closed there.
    let last = app.clone();
    let done = runtime.block_on(async move {
        let (router, _) = routes::router(&app);
        let service = router.into_make_service_with_connect_info::<SocketAddr>();
        let handle = Handle::new();
        tokio::spawn(stop(handle.clone(), close));
        tokio::spawn(announce(handle.clone(), app, told));
        let door = Doorkeeper(Connections::new(connections::room()));
        let mut server = axum_server::from_tcp(listener)?.http1_only().handle(handle);
        server.http_builder().http1().header_read_timeout(patience.head);
        match tls {
            Some(tls) => server.acceptor(RustlsAcceptor::new(tls).acceptor(door)).serve(service).await,
            None => server.acceptor(door).serve(service).await,
        }
    });
    // Leaving the runtime waits for stations in the middle of a unit, and for no long work: that is cancelled.
    last.incoming.stop();
    drop(runtime);
    // What was done since the last head is covered by one more.
    if let Ok(pages) = Who::new("pages") {
        site::head::mark(&last.site, &pages);
    }
    drop(last);
    done.map_err(|e| {
        Trouble::surroundings(format!("the server stopped: {e}"), "Check the network, then start it again.")
    })
}

async fn announce(handle: Handle<SocketAddr>, app: App, told: impl FnOnce(&Started)) {
    let Some(address) = handle.listening().await else { return };
    let scheme = if app.tls { "https" } else { "http" };
    let host = match address.ip() {
        IpAddr::V6(ip) => format!("[{ip}]"),
        IpAddr::V4(ip) => ip.to_string(),
    };
    let address = format!("{scheme}://{host}:{}/", address.port());
    let first = app.link().map(|word| format!("{address}first?word={word}"));
    told(&Started { address, first });
}

async fn stop(handle: Handle<SocketAddr>, close: watch::Sender<bool>) {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        let (Ok(mut term), Ok(mut int)) = (signal(SignalKind::terminate()), signal(SignalKind::interrupt())) else {
            return;
        };
        tokio::select! {
            _ = term.recv() => {}
            _ = int.recv() => {}
        }
    }
    #[cfg(not(unix))]
    if tokio::signal::ctrl_c().await.is_err() {
        return;
    }
    // Pages that listen are let go first, so that they come back to the next server.
    let _ = close.send(true);
    handle.graceful_shutdown(Some(GRACE));
}
