//! The company's provider: where it is, what it is asked, and what is believed of its answer.
//!
//! OpenID Connect Core 1.0 §3.1 (authorization code flow), Discovery 1.0 §4, RFC 7636 (PKCE, S256), RFC 9207. The
//! protocol and every check of an ID token are the library's; here are the endpoints that may be asked, the
//! signatures that are taken and the leeway of clocks. Start at [`Provider::discover`].

use std::io;
use std::path::Path;
use std::time::SystemTime;

use base::http;
use base::trouble::Trouble;
use openidconnect::core::{
    CoreAuthDisplay, CoreAuthPrompt, CoreAuthenticationFlow, CoreClientAuthMethod, CoreErrorResponseType,
    CoreGenderClaim, CoreIdTokenVerifier, CoreJsonWebKey, CoreJweContentEncryptionAlgorithm, CoreJwsSigningAlgorithm,
    CoreProviderMetadata, CoreRevocableToken, CoreRevocationErrorResponse, CoreTokenIntrospectionResponse,
    CoreTokenType,
};
use openidconnect::url::Url;
use openidconnect::{
    AdditionalClaims, AuthType, AuthorizationCode, Client, ClientId, ClientSecret, CsrfToken, DiscoveryError,
    EmptyExtraTokenFields, EndpointMaybeSet, EndpointNotSet, EndpointSet, HttpRequest, HttpResponse, IdTokenFields,
    IssuerUrl, Nonce, PkceCodeChallenge, PkceCodeVerifier, RedirectUrl, RequestTokenError, Scope,
    StandardErrorResponse, StandardTokenResponse, TokenResponse,
};
use serde::{Deserialize, Serialize};
use time::{Duration, OffsetDateTime};

use crate::OpenIdSettings;

/// How far the clocks of provider and site may be apart.
const LEEWAY: Duration = Duration::seconds(60);
/// Octets of an answer; the keys of a large provider take a tenth of it.
const LARGEST: u64 = 1 << 20;

/// What an ID token says beside the standard's own claims.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Further {
    #[serde(flatten)]
    claims: serde_json::Map<String, serde_json::Value>,
}

impl AdditionalClaims for Further {}

type Fields = IdTokenFields<
    Further,
    EmptyExtraTokenFields,
    CoreGenderClaim,
    CoreJweContentEncryptionAlgorithm,
    CoreJwsSigningAlgorithm,
>;

/// The library's client with the further claims; the authorization endpoint is always known.
type Asking = Client<
    Further,
    CoreAuthDisplay,
    CoreGenderClaim,
    CoreJweContentEncryptionAlgorithm,
    CoreJsonWebKey,
    CoreAuthPrompt,
    StandardErrorResponse<CoreErrorResponseType>,
    StandardTokenResponse<Fields, CoreTokenType>,
    CoreTokenIntrospectionResponse,
    CoreRevocableToken,
    CoreRevocationErrorResponse,
    EndpointSet,
    EndpointNotSet,
    EndpointNotSet,
    EndpointNotSet,
    EndpointMaybeSet,
    EndpointMaybeSet,
>;

/// The provider as its own document describes it, with its keys.
#[derive(Clone)]
pub(super) struct Provider {
    metadata: CoreProviderMetadata,
    agent: ureq::Agent,
    name: String,
}

/// What must come back with an answer.
pub(super) struct Asked {
    pub(super) nonce: Nonce,
    pub(super) verifier: PkceCodeVerifier,
}

/// Whom the provider vouches for.
pub(super) struct Vouched {
    pub(super) subject: String,
    /// What the provider calls the person, the most telling first.
    pub(super) names: Vec<String>,
    pub(super) groups: Vec<String>,
}

/// Why an answer gives nobody.
pub(super) enum Unproven {
    /// The provider gave no answer.
    Silent(Trouble),
    /// It refused the code, or what it vouches for can't be believed.
    Refused(Trouble),
}

/// An address that may be asked: over TLS, or on this machine.
pub(super) fn is_safe(url: &Url) -> bool {
    let here = matches!(url.host_str(), Some("localhost" | "127.0.0.1" | "[::1]"));
    url.scheme() == "https" || url.scheme() == "http" && here
}

fn silent(name: &str, why: impl std::fmt::Display) -> Trouble {
    Trouble::surroundings(
        format!("{name} can't be reached: {why}"),
        "Sign in with a local account, or try again later. If it stays so, have the network to the provider checked.",
    )
}

fn distrusted(name: &str, why: impl std::fmt::Display) -> Trouble {
    Trouble::refused(
        format!("the answer of {name} can't be trusted: {why}"),
        "Sign in again. If it stays so, check this machine's clock and pages.openid in the site's touchmark.toml.",
    )
}

/// What went wrong, in words for whoever reads the page.
fn plain(error: ureq::Error) -> io::Error {
    match error {
        ureq::Error::Io(error) => error,
        ureq::Error::Timeout(_) => {
            io::Error::other(format!("it gave no answer within {} seconds", http::PATIENCE.as_secs()))
        }
        other => io::Error::other(other),
    }
}

/// One request, as the library wants it made.
fn ask(agent: &ureq::Agent, request: HttpRequest) -> Result<HttpResponse, io::Error> {
    let url = request.uri().to_string();
    if !Url::parse(&url).is_ok_and(|url| is_safe(&url)) {
        return Err(io::Error::other(format!("it names {url}, which is not reached over TLS")));
    }
    let (parts, body) = agent.run(request).map_err(plain)?.into_parts();
    let body = body.into_with_config().limit(LARGEST).read_to_vec().map_err(plain)?;
    Ok(HttpResponse::from_parts(parts, body))
}

impl Provider {
    /// Asks the provider for its settings and its keys, which shows too that it answers.
    pub(super) fn discover(settings: &OpenIdSettings, issuer: &IssuerUrl, dir: &Path) -> Result<Self, Trouble> {
        let name = &settings.name;
        let agent =
            http::agent(&settings.issuer, settings.certificates.as_deref(), dir).map_err(|e| silent(name, e))?;
        let metadata =
            CoreProviderMetadata::discover(issuer, &|request| ask(&agent, request)).map_err(|e| match e {
                DiscoveryError::Request(e) => silent(name, e),
                DiscoveryError::Validation(e) => distrusted(name, e),
                other => silent(name, other),
            })?;
        if !is_safe(metadata.authorization_endpoint().url()) {
            return Err(distrusted(name, "its sign-in page is not reached over TLS"));
        }
        Ok(Self { metadata, agent, name: name.clone() })
    }

    fn client(&self, settings: &OpenIdSettings, secret: Option<ClientSecret>, redirect: &RedirectUrl) -> Asking {
        // RFC 6749 §2.3.1: in the header, but where the provider takes it in the body alone.
        let ways = self.metadata.token_endpoint_auth_methods_supported();
        let has = |way| ways.is_some_and(|ways| ways.contains(&way));
        let in_body = has(CoreClientAuthMethod::ClientSecretPost) && !has(CoreClientAuthMethod::ClientSecretBasic);
        let id = ClientId::new(settings.client_id.clone());
        Asking::from_provider_metadata(self.metadata.clone(), id, secret)
            .set_auth_type(if in_body { AuthType::RequestBody } else { AuthType::BasicAuth })
            .set_redirect_uri(redirect.clone())
    }

    /// Where the browser goes to sign in, and what the answer is held against.
    pub(super) fn address(
        &self,
        settings: &OpenIdSettings,
        redirect: &RedirectUrl,
        state: &str,
    ) -> Result<(Url, Asked), Trouble> {
        let nonce = Nonce::new(super::draw_token()?.to_string());
        let verifier = PkceCodeVerifier::new(super::draw_token()?.to_string());
        let (state, given) = (CsrfToken::new(state.to_owned()), nonce.clone());
        let client = self.client(settings, None, redirect);
        let (url, _, _) = client
            .authorize_url(CoreAuthenticationFlow::AuthorizationCode, || state, || given)
            .add_scopes(settings.scopes.iter().cloned().map(Scope::new))
            .set_pkce_challenge(PkceCodeChallenge::from_code_verifier_sha256(&verifier))
            .url();
        Ok((url, Asked { nonce, verifier }))
    }

    /// Redeems a code, and checks whom it stands for.
    pub(super) fn redeem(
        &self,
        settings: &OpenIdSettings,
        secret: ClientSecret,
        redirect: &RedirectUrl,
        (code, asked): (String, Asked),
        now: OffsetDateTime,
    ) -> Result<Vouched, Unproven> {
        let refused = |why: String| Unproven::Refused(distrusted(&self.name, why));
        let client = self.client(settings, Some(secret), redirect);
        let answer = client
            .exchange_code(AuthorizationCode::new(code))
            .map_err(|e| Unproven::Silent(silent(&self.name, e)))?
            .set_pkce_verifier(asked.verifier)
            .request(&|request| ask(&self.agent, request))
            .map_err(|e| match e {
                RequestTokenError::ServerResponse(e) => Unproven::Refused(Trouble::refused(
                    format!("{} refused the sign-in: {e}", self.name),
                    "Sign in again. If it stays so, check pages.openid.client_id and the secret's file.",
                )),
                RequestTokenError::Request(e) => Unproven::Silent(silent(&self.name, e)),
                other => refused(described(&other)),
            })?;
        let token = answer.id_token().ok_or_else(|| refused("it holds no ID token".into()))?;
        // The verifier of a client without a secret: no key of this site's or the provider's can stand for a MAC.
        let verifier = CoreIdTokenVerifier::new_public_client(
            ClientId::new(settings.client_id.clone()),
            self.metadata.issuer().clone(),
            self.metadata.jwks().clone(),
        )
        .set_allowed_algs([CoreJwsSigningAlgorithm::RsaSsaPkcs1V15Sha256, CoreJwsSigningAlgorithm::EcdsaP256Sha256])
        .set_time_fn(move || SystemTime::from(now - LEEWAY).into())
        .set_issue_time_verifier_fn(move |issued| {
            let early = issued.timestamp() > (now + LEEWAY).unix_timestamp();
            if early { Err(format!("it is issued at {issued}, which is still to come")) } else { Ok(()) }
        });
        let claims = token.claims(&verifier, &asked.nonce).map_err(|e| refused(described(&e)))?;
        let subject = claims.subject().to_string();
        // Core 1.0 §2: at most 255 characters of ASCII.
        if subject.is_empty() || subject.len() > 255 || !subject.bytes().all(|b| (b' '..=b'~').contains(&b)) {
            return Err(refused("its subject is not 1 to 255 characters of ASCII".into()));
        }
        let further = &claims.additional_claims().claims;
        let text = |claim: Option<&String>| claim.cloned();
        let names = [
            text(claims.preferred_username().map(|v| &**v)),
            text(claims.email().map(|v| &**v)),
            text(claims.name().and_then(|v| v.get(None)).map(|v| &**v)),
            Some(subject.clone()),
        ];
        Ok(Vouched {
            subject,
            names: names.into_iter().flatten().collect(),
            groups: listed(further.get(&settings.groups_claim)),
        })
    }
}

/// An error with its causes, since the library's own words leave them out.
fn described(error: &dyn std::error::Error) -> String {
    std::iter::successors(error.source(), |e| e.source()).fold(error.to_string(), |all, e| format!("{all}: {e}"))
}

/// The groups of a claim: a list of texts, or one text.
fn listed(claim: Option<&serde_json::Value>) -> Vec<String> {
    let text = |value: &serde_json::Value| value.as_str().map(str::to_owned);
    match claim {
        Some(serde_json::Value::Array(all)) => all.iter().filter_map(text).collect(),
        Some(one) => text(one).into_iter().collect(),
        None => Vec::new(),
    }
}
