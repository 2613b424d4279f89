//! A small disk that can be filled to the last octet.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A file system in memory; unmounted when dropped.
pub struct Disk {
    folder: tempfile::TempDir,
}

impl Disk {
    /// `None` where this process may not mount; [`in_a_world_of_its_own`] may.
    pub fn new(size: &str) -> Option<Self> {
        let folder = tempfile::tempdir().expect("a directory");
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"]).arg(folder.path());
        let mounted = mount.output().is_ok_and(|done| done.status.success());
        mounted.then(|| Self { folder })
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    fn filler(&self) -> PathBuf {
        self.path().join("filler")
    }

    /// Fills it.
    pub fn fill(&self) {
        let mut filler = File::options().create(true).append(true).open(self.filler()).expect("a filler");
        for size in [1 << 20, 1 << 12] {
            let some = vec![0; size];
            while filler.write_all(&some).is_ok() {}
        }
    }

    /// Frees what was filled.
    pub fn free(&self) {
        let _ = fs::remove_file(self.filler());
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("--lazy").arg(self.path()).status();
    }
}

/// Runs this very test again where it may mount: in user and mount namespaces of its own.
/// `false` where the system grants none.
pub fn in_a_world_of_its_own(test: &str) -> bool {
    const MARK: &str = "TORTURE_OWN_WORLD";
    if std::env::var_os(MARK).is_some() {
        return false;
    }
    let may = Command::new("unshare").args(["--user", "--map-root-user", "--mount", "true"]).status();
    if !may.is_ok_and(|status| status.success()) {
        return false;
    }
    let done = Command::new("unshare")
        .args(["--user", "--map-root-user", "--mount"])
        .arg(std::env::current_exe().expect("this program"))
        .args([test, "--exact", "--nocapture", "--test-threads=1"])
        .env(MARK, "yes")
        .output()
        .expect("unshare runs");
    let said = String::from_utf8_lossy(&done.stdout);
    print!("{said}");
    eprint!("{}", String::from_utf8_lossy(&done.stderr));
    assert!(done.status.success() && said.contains("1 passed"), "{test}, in namespaces of its own");
    true
}
