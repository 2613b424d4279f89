//! A private PostgreSQL server for a test: its own folder, its own socket, no port.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use tempfile::TempDir;

/// A running server; stopped when dropped.
pub struct Server {
    folder: TempDir,
    programs: PathBuf,
    /// Stops the server and removes its folder once this process is gone, however it went.
    watch: Option<Child>,
    /// Whether its commits outlive a power cut, which no test needs.
    durable: bool,
    /// Port of its sockets; of a network one too, under TLS, where it is not the usual one.
    port: u16,
}

/// A stretch of the write-ahead log, in one of its files.
pub struct LogEnd {
    file: String,
    begin: usize,
    end: usize,
}

/// PostgreSQL's usual port.
const PORT: u16 = 5432;

/// Folder of `initdb` and `pg_ctl`: where Debian puts them, or on the path.
fn programs() -> Option<PathBuf> {
    let mut found: Vec<PathBuf> = std::fs::read_dir("/usr/lib/postgresql")
        .into_iter()
        .flatten()
        .flatten()
        .map(|version| version.path().join("bin"))
        .filter(|bin| bin.join("initdb").exists())
        .collect();
    found.sort();
    found.pop().or_else(|| {
        std::env::split_paths(&std::env::var_os("PATH")?)
            .find(|bin| bin.join("initdb").exists() && bin.join("pg_ctl").exists())
    })
}

/// Whether this process is root, whom the server refuses to run as.
fn is_root() -> bool {
    std::fs::read_to_string("/proc/self/status")
        .is_ok_and(|status| status.lines().any(|line| line.starts_with("Uid:\t0\t")))
}

/// Whether a process runs; one that has ended and only waits for its parent does not.
fn alive(id: &str) -> bool {
    let stat = std::fs::read_to_string(format!("/proc/{id}/stat")).unwrap_or_default();
    // The state stands after the name, which is in brackets (proc(5)).
    stat.rsplit_once(") ").is_some_and(|(_, rest)| !rest.starts_with(['Z', 'X']))
}

fn told(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// Copies a folder with its owners and modes, which the server is strict about.
fn copy(from: &Path, to: &Path) {
    let done = Command::new("cp").arg("-a").arg(from).arg(to).output().expect("cp runs");
    assert!(done.status.success(), "{}", told(&done));
}

impl Server {
    /// Starts one; `None` where PostgreSQL is not installed (never in CI).
    pub fn start() -> Option<Self> {
        let Some(programs) = programs() else {
            assert_ne!(std::env::var("CI").as_deref(), Ok("true"), "CI must have PostgreSQL (Debian: postgresql)");
            eprintln!("PostgreSQL is not installed (Debian: postgresql): its half of the contract is skipped");
            return None;
        };
        // In memory where the system offers it: making and removing databases is
        // thousands of small files.
        let folder = TempDir::new_in("/dev/shm").or_else(|_| TempDir::new()).expect("a folder");
        Some(Self::in_folder(folder, programs, false, PORT))
    }

    /// Starts one that is reached over TLS too, by [`Server::book_url`].
    #[allow(dead_code, reason = "most tests need none")]
    pub fn start_over_tls() -> Option<Self> {
        let programs = programs()?;
        let folder = TempDir::new_in("/dev/shm").or_else(|_| TempDir::new()).expect("a folder");
        let free = std::net::TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port");
        Some(Self::in_folder(folder, programs, false, free.port()))
    }

    /// Starts one whose commits are durable, its data in `dir`: for measuring.
    #[allow(dead_code, reason = "tests need none")]
    pub fn start_durable(dir: &Path) -> Option<Self> {
        let dir = dir.canonicalize().ok()?;
        Some(Self::in_folder(TempDir::new_in(dir).ok()?, programs()?, true, PORT))
    }

    /// A second server that follows this one without being waited for.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn standby(&self) -> Self {
        let folder = TempDir::new_in("/dev/shm").or_else(|_| TempDir::new()).expect("a folder");
        Self::made(folder, self.programs.clone(), self.durable, self.port, Some(self))
    }

    /// Whether a standby has all that its primary has.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn has_followed(&self, primary: &Self) -> bool {
        let at = |server: &Self, sql: &str| -> Option<String> {
            postgres::Client::connect(&server.url("postgres"), postgres::NoTls)
                .ok()
                .and_then(|mut client| client.query_one(sql, &[]).ok())
                .and_then(|row| row.get(0))
        };
        let written = at(primary, "SELECT pg_current_wal_lsn()::text");
        written.is_some() && at(self, "SELECT pg_last_wal_replay_lsn()::text") == written
    }

    /// Has a standby hear no more of its primary.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn hear_no_more(&self) {
        let mut client = postgres::Client::connect(&self.url("postgres"), postgres::NoTls).expect("the server answers");
        client.batch_execute("ALTER SYSTEM SET primary_conninfo = ''").expect("set");
        client.execute("SELECT pg_reload_conf()", &[]).expect("read anew");
        let hears = |client: &mut postgres::Client| {
            client.query_one("SELECT count(*) FROM pg_stat_wal_receiver", &[]).expect("asks").get::<_, i64>(0) > 0
        };
        while hears(&mut client) {
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
    }

    /// Makes a standby the primary.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn promote(&self) {
        self.run("pg_ctl", &["-D", &self.data(), "-w", "promote"]);
    }

    /// Starts one whose data lies on a small disk.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn start_on_small_disk(disk: &Path) -> Option<Self> {
        Some(Self::in_folder(TempDir::new_in(disk).ok()?, programs()?, false, PORT))
    }

    /// Copies the data of a server that is stopped.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn keep(&self, to: &Path) {
        copy(Path::new(&self.data()), to);
    }

    /// Puts a copy of its data, made by [`Server::keep`], in the place of what a server that is stopped has.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn put_back(&self, from: &Path) {
        std::fs::remove_dir_all(self.data()).expect("removed");
        copy(from, Path::new(&self.data()));
    }

    /// What its write-ahead log got since the last checkpoint.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn log_end(&self) -> LogEnd {
        let mut client = postgres::Client::connect(&self.url("postgres"), postgres::NoTls).expect("the server answers");
        let sql = "SELECT f.file_name, f.file_offset, r.file_name, r.file_offset
                   FROM pg_control_checkpoint() c, pg_walfile_name_offset(pg_current_wal_flush_lsn()) f,
                        pg_walfile_name_offset(c.redo_lsn) r";
        let row = client.query_one(sql, &[]).expect("where its log is");
        let (file, end, from, begin): (String, i32, String, i32) = (row.get(0), row.get(1), row.get(2), row.get(3));
        let at = |offset: i32| usize::try_from(offset).expect("an offset");
        // What came before the file's beginning is in the one before it.
        LogEnd { begin: if file == from { at(begin) } else { 0 }, end: at(end), file }
    }

    /// Turns a bit in the log of a server that is dead: at a place in what it got last, of a thousand.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn damage_log(&self, LogEnd { file, begin, end }: &LogEnd, place: usize) {
        let path = Path::new(&self.data()).join("pg_wal").join(file);
        let mut log = std::fs::read(&path).expect("its log");
        log[begin + (end - begin) * place / 1000] ^= 0x10;
        std::fs::write(&path, log).expect("its log");
    }

    fn in_folder(folder: TempDir, programs: PathBuf, durable: bool, port: u16) -> Self {
        Self::made(folder, programs, durable, port, None)
    }

    fn made(folder: TempDir, programs: PathBuf, durable: bool, port: u16, primary: Option<&Self>) -> Self {
        let mut server = Self { folder, programs, watch: None, durable, port };
        if is_root() {
            let made = Command::new("chown").arg("postgres").arg(server.folder.path()).output().expect("chown runs");
            assert!(made.status.success(), "{}", told(&made));
        }
        match primary {
            Some(primary) => {
                let (from, port) = (primary.socket().display().to_string(), primary.port.to_string());
                let place = ["-h", &from, "-p", &port, "-U", "postgres", "-D", &server.data()];
                server.run("pg_basebackup", &[&place[..], &["-R", "-X", "stream", "-c", "fast", "--no-sync"]].concat());
            }
            None => server.fill(),
        }
        if server.port != PORT {
            server.certify();
        }
        server.launch();
        server.watch = Some(server.watched());
        server
    }

    /// The folder of an empty server. `initdb` takes two seconds and every test wants one, so the
    /// first makes it and the others copy it.
    fn fill(&self) {
        let data = self.data();
        let version = self.programs.display().to_string().replace('/', "-");
        let kept = option_env!("CARGO_TARGET_TMPDIR").map(|folder| Path::new(folder).join(format!("initdb{version}")));
        if let Some(kept) = kept.as_deref().filter(|kept| kept.exists()) {
            return copy(kept, Path::new(&data));
        }
        self.run("initdb", &["-D", &data, "-U", "postgres", "-A", "trust", "--no-sync", "--encoding=UTF8"]);
        if let Some(kept) = kept {
            let own = kept.with_extension(std::process::id().to_string());
            copy(Path::new(&data), &own);
            // Another test may have been first; its folder is as good.
            if std::fs::rename(&own, &kept).is_err() {
                std::fs::remove_dir_all(&own).expect("removed");
            }
        }
    }

    /// Certificates under a root of its own, by OpenSSL: the server's, for `localhost`, and one for the role `line`;
    /// and nobody is let in over the network without TLS.
    fn certify(&self) {
        let script = "set -e; umask 077
            new='-newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes'
            openssl req -x509 $new -days 2 -subj '/CN=Quarry Lane Test Root' -keyout root.key -out root.pem
            for name in localhost line; do
              openssl req $new -subj /CN=$name -addext subjectAltName=DNS:$name -keyout $name.key -out $name.csr
              openssl x509 -req -days 2 -in $name.csr -CA root.pem -CAkey root.key -CAcreateserial -copy_extensions copy \
                -out $name.pem
            done
            sed -i -E 's/^host +/hostssl /; s/^hostssl +all +all +/hostssl all line 127.0.0.1\\/32 cert\\n&/' data/pg_hba.conf
            chmod 644 *.pem";
        let done = Command::new("sh").args(["-c", script]).current_dir(self.folder.path()).output().expect("sh runs");
        assert!(done.status.success(), "{}", told(&done));
        if is_root() {
            let all = ["postgres", "localhost.key", "localhost.pem", "root.pem", "data/pg_hba.conf"];
            let made = Command::new("chown").args(all).current_dir(self.folder.path()).output().expect("chown runs");
            assert!(made.status.success(), "{}", told(&made));
        }
    }

    /// A file that [`Server::start_over_tls`] made.
    #[allow(dead_code, reason = "most tests need none")]
    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// A process of a session of its own: a test that is killed takes its group along.
    fn watched(&self) -> Child {
        let (pg_ctl, folder) =
            (self.programs.join("pg_ctl").display().to_string(), self.folder.path().display().to_string());
        let as_whom = if is_root() { "runuser -u postgres -- " } else { "" };
        let script = format!(
            "cat >/dev/null; cd /; {as_whom}'{pg_ctl}' -D '{}' -w -m immediate stop; rm -rf '{folder}'",
            self.data()
        );
        Command::new("setsid")
            .args(["sh", "-c", &script])
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("setsid runs (Debian: util-linux)")
    }

    /// Starts the server that [`Server::stop`] stopped.
    pub fn launch(&self) {
        self.try_launch().unwrap_or_else(|said| panic!("{said}"));
    }

    /// The same; what the server said where it does not start.
    ///
    /// # Errors
    ///
    /// Its log.
    pub fn try_launch(&self) -> Result<(), String> {
        let socket = self.folder.path().display().to_string();
        // Without syncing: no test takes the machine's power away, and what a killed
        // server had written is still with the system.
        let careless = if self.durable { "" } else { " -c fsync=off -c full_page_writes=off" };
        let network = if self.port == PORT {
            "-c listen_addresses=''".to_owned()
        } else {
            format!(
                "-c listen_addresses=127.0.0.1 -c port={} -c ssl=on -c ssl_cert_file={socket}/localhost.pem \
                 -c ssl_key_file={socket}/localhost.key -c ssl_ca_file={socket}/root.pem",
                self.port
            )
        };
        let options = format!(
            "{network} -c unix_socket_directories={socket} -c max_connections=60 \
             -c min_wal_size=32MB -c max_wal_size=96MB{careless}"
        );
        let log = self.folder.path().join("log").display().to_string();
        self.tried("pg_ctl", &["-D", &self.data(), "-w", "-l", &log, "-o", &options, "start"])
    }

    /// Whether it runs and takes requests.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn answers(&self) -> bool {
        postgres::Client::connect(&self.url("postgres"), postgres::NoTls).is_ok()
    }

    /// Stops it: `fast`, or `immediate` as if its process had been killed.
    pub fn stop(&self, how: &str) {
        self.run("pg_ctl", &["-D", &self.data(), "-w", "-m", how, "stop"]);
    }

    /// Kills it and all its processes (SIGKILL), as when its machine fails.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn kill(&self) {
        let id = std::fs::read_to_string(self.folder.path().join("data/postmaster.pid")).unwrap_or_default();
        let Some(id) = id.lines().next().map(str::trim).filter(|id| !id.is_empty()) else { return };
        let send = |signal: &str, to: &[&str]| {
            Command::new("kill").arg(signal).args(to).stderr(Stdio::null()).status().expect("kill runs")
        };
        // Held first, so that it starts no more of them meanwhile.
        send("-STOP", &[id]);
        let started = std::fs::read_to_string(format!("/proc/{id}/task/{id}/children")).unwrap_or_default();
        let all: Vec<&str> = std::iter::once(id).chain(started.split_whitespace()).collect();
        send("-KILL", &all);
        for id in all {
            while alive(id) {
                std::thread::sleep(std::time::Duration::from_millis(5));
            }
        }
        // Where nobody takes note of its death (a container's first process often does not), its id
        // still stands in the table of processes, and the next server would take it for alive.
        for file in ["data/postmaster.pid".to_owned(), format!(".s.PGSQL.{}.lock", self.port)] {
            let _ = std::fs::remove_file(self.folder.path().join(file));
        }
    }

    /// The socket that it listens on.
    #[allow(dead_code, reason = "used where the program itself is tried, not the book alone")]
    pub fn listens_on(&self) -> PathBuf {
        self.folder.path().join(format!(".s.PGSQL.{}", self.port))
    }

    fn data(&self) -> String {
        self.folder.path().join("data").display().to_string()
    }

    fn run(&self, program: &str, arguments: &[&str]) {
        self.tried(program, arguments).unwrap_or_else(|said| panic!("{said}"));
    }

    fn tried(&self, program: &str, arguments: &[&str]) -> Result<(), String> {
        let program = self.programs.join(program);
        let mut command = if is_root() {
            let mut command = Command::new("runuser");
            command.args(["-u", "postgres", "--"]).arg(program);
            command
        } else {
            Command::new(program)
        };
        // Not a pipe: the server would inherit it and hold it open.
        let out = std::fs::File::create(self.folder.path().join("said")).expect("a file");
        let err = out.try_clone().expect("a file");
        let done = command
            .args(arguments)
            .current_dir(self.folder.path())
            .stdin(Stdio::null())
            .stdout(out)
            .stderr(err)
            .status()
            .expect("the server's programs run");
        let read = |name: &str| std::fs::read_to_string(self.folder.path().join(name)).unwrap_or_default();
        let (said, log) = (read("said"), read("log"));
        let last: Vec<&str> = log.lines().rev().take(12).collect();
        if done.success() { Ok(()) } else { Err(format!("{arguments:?}: {said}; the log, last line first: {last:#?}")) }
    }

    /// A new, empty database.
    pub fn database(&self, name: &str) -> String {
        self.database_like(name, "template1")
    }

    /// A new database with all that another one holds.
    pub fn database_like(&self, name: &str, other: &str) -> String {
        let mut client = postgres::Client::connect(&self.url("postgres"), postgres::NoTls).expect("the server answers");
        // A connection just closed may still be on its way out.
        self.cut(other);
        client.batch_execute(&format!("CREATE DATABASE {name} TEMPLATE {other}")).expect("a database");
        self.url(name)
    }

    /// Removes a database.
    pub fn remove(&self, name: &str) {
        let mut client = postgres::Client::connect(&self.url("postgres"), postgres::NoTls).expect("the server answers");
        client.batch_execute(&format!("DROP DATABASE {name} WITH (FORCE)")).expect("removed");
    }

    /// Cuts every connection to a database.
    pub fn cut(&self, name: &str) {
        let mut client = postgres::Client::connect(&self.url("postgres"), postgres::NoTls).expect("the server answers");
        client
            .execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1", &[&name])
            .expect("connections are cut");
    }

    pub fn url(&self, name: &str) -> String {
        format!("postgres://postgres@/{name}?host={}&port={}", self.socket().display(), self.port)
    }

    /// The address for a book in that database: over TLS where the server has it.
    pub fn book_url(&self, name: &str) -> String {
        if self.port == PORT {
            return self.url(name);
        }
        let root = self.folder.path().join("root.pem");
        format!("postgres://postgres@localhost:{}/{name}?sslmode=verify-full&sslrootcert={}", self.port, root.display())
    }

    fn socket(&self) -> &Path {
        self.folder.path()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Some(mut watch) = self.watch.take() {
            drop(watch.stdin.take());
            watch.wait().ok();
        }
    }
}
