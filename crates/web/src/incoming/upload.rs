//! Files and fields of a form, kept on disk as they come.

use std::collections::HashMap;
use std::path::PathBuf;

use axum::body::Body;
use axum::extract::multipart::MultipartRejection;
use axum::extract::{FromRequest, Multipart, Request};
use axum::http::StatusCode;
use base::Trouble;
use base::trouble::About as _;
use tempfile::TempDir;
use tokio::io::AsyncWriteExt;
use tokio_stream::StreamExt as _;

use crate::again::Typed;
use crate::answer::Oops;

/// Bytes of a field that is no file, and how many of those count.
const TEXT: usize = 10_000;
const FIELDS: usize = 50;
/// Files in one upload.
const FILES: usize = 500;

/// Files and fields of a form.
pub struct Upload {
    pub files: Vec<(String, PathBuf)>,
    /// Fields that are no files.
    pub fields: HashMap<String, String>,
    /// Where its files lie; goes with it.
    pub folder: TempDir,
}

impl Upload {
    /// A field's text; empty where there is none.
    pub fn text(&self, name: &str) -> &str {
        self.fields.get(name).map_or("", |t| t.trim())
    }

    /// Files of one field.
    pub fn of(&self, field: &str) -> Vec<PathBuf> {
        self.files.iter().filter(|(f, _)| f == field).map(|(_, path)| path.clone()).collect()
    }

    /// The folder in which it lies.
    pub fn folder_path(&self) -> PathBuf {
        self.folder.path().to_owned()
    }

    /// The one file of a field.
    ///
    /// # Errors
    ///
    /// Where there is none.
    pub fn one(&self, field: &'static str) -> Result<PathBuf, Trouble> {
        self.of(field)
            .into_iter()
            .next()
            .ok_or_else(|| Trouble::usage("no file came with the form", "Choose or drop a file, then send it again."))
            .about(field)
    }
}

/// What a file is called here: the last part of its name, and nothing that a path could mean.
pub(crate) fn safe_name(given: &str, number: usize) -> String {
    let last = given.rsplit(['/', '\\']).next().unwrap_or_default();
    let clean: String = last.chars().filter(|c| !c.is_control()).take(120).collect();
    match clean.trim_matches(['.', ' ']) {
        "" => format!("file-{number}"),
        name => name.to_owned(),
    }
}

/// A form with files, on its way in.
pub struct Files {
    form: Multipart,
    typed: Typed,
}

impl<S: Send + Sync> FromRequest<S> for Files {
    type Rejection = MultipartRejection;

    async fn from_request(request: Request, state: &S) -> Result<Self, Self::Rejection> {
        let typed = request.extensions().get::<Typed>().cloned().unwrap_or_default();
        Ok(Self { form: Multipart::from_request(request, state).await?, typed })
    }
}

/// Takes a body as a file of that name, which lands on disk as it comes; it is gone with its folder.
///
/// # Errors
///
/// Where it breaks off or is too large.
pub async fn take_body(name: &str, body: Body, most: usize) -> Result<(TempDir, PathBuf), Oops> {
    let disk = |e: std::io::Error| Oops::from(Trouble::temporary(e));
    let folder = TempDir::new().map_err(disk)?;
    let path = folder.path().join(safe_name(name, 0));
    let mut file = tokio::fs::File::create(&path).await.map_err(disk)?;
    let (mut stream, mut have) = (body.into_data_stream(), 0);
    while let Some(chunk) = stream.next().await {
        let chunk = chunk
            .map_err(|e| Trouble::usage(format!("the body broke off: {e}"), "Send it again; nothing was kept."))?;
        have += chunk.len();
        if have > most {
            let what = format!("the body has more than {most} bytes");
            return Err(Oops::Status(StatusCode::PAYLOAD_TOO_LARGE, what, "Send it in parts.".into()));
        }
        file.write_all(&chunk).await.map_err(disk)?;
    }
    file.flush().await.map_err(disk)?;
    Ok((folder, path))
}

/// Takes a form with files: each lands on disk as it comes.
///
/// # Errors
///
/// Where the form breaks off or has too many files.
pub async fn take(Files { mut form, typed }: Files) -> Result<Upload, Oops> {
    let broken = |e: &dyn std::fmt::Display| {
        Oops::from(Trouble::usage(format!("the upload broke off: {e}"), "Send it again; nothing was kept."))
    };
    let disk = |e: std::io::Error| Oops::from(Trouble::temporary(e));
    let folder = TempDir::new().map_err(disk)?;
    let mut upload = Upload { files: Vec::new(), fields: HashMap::new(), folder };
    while let Some(mut field) = form.next_field().await.map_err(|e| broken(&e.body_text()))? {
        let name = field.name().unwrap_or_default().to_owned();
        match field.file_name().map(str::to_owned) {
            Some(given) if !given.is_empty() => {
                typed.file_came();
                if upload.files.len() >= FILES {
                    return Err(Trouble::usage(format!("more than {FILES} files came at once"), "Send fewer.").into());
                }
                let number = upload.files.len();
                // A folder each, so that two files of one name stay two.
                let place = upload.folder.path().join(number.to_string());
                tokio::fs::create_dir(&place).await.map_err(disk)?;
                let path = place.join(safe_name(&given, number));
                let mut file = tokio::fs::File::create(&path).await.map_err(disk)?;
                while let Some(chunk) = field.chunk().await.map_err(|e| broken(&e.body_text()))? {
                    file.write_all(&chunk).await.map_err(disk)?;
                }
                file.flush().await.map_err(disk)?;
                upload.files.push((name, path));
            }
            Some(_) => {}
            None => {
                // Never read whole before it is known how long it is.
                let mut octets = Vec::new();
                while let Some(chunk) = field.chunk().await.map_err(|e| broken(&e.body_text()))? {
                    if octets.len() + chunk.len() > TEXT {
                        let what = format!("the field {name:?} has more than {TEXT} bytes");
                        return Err(Trouble::usage(what, "Shorten it, then send it again; nothing was kept.").into());
                    }
                    octets.extend_from_slice(&chunk);
                }
                let text = String::from_utf8_lossy(&octets).into_owned();
                typed.keep(&name, &text);
                if upload.fields.len() < FIELDS {
                    upload.fields.insert(name, text);
                }
            }
        }
    }
    Ok(upload)
}

#[cfg(test)]
mod tests {
    use super::safe_name;

    #[test]
    fn a_name_is_no_path() {
        for (given, kept) in [
            ("delivery.zip", "delivery.zip"),
            ("../../etc/passwd", "passwd"),
            ("C:\\x\\y.csv", "y.csv"),
            ("..", "file-3"),
            ("", "file-3"),
            ("a\u{0}b", "ab"),
            ("<script>.zip", "<script>.zip"),
        ] {
            assert_eq!(safe_name(given, 3), kept, "{given}");
        }
    }
}
