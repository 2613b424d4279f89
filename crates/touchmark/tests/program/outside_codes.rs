//! Codes, verifiers and factory records against programs that others wrote.
//!
//! The scripts in `tests/outside` say which; they run with the Python named by
//! `TOUCHMARK_PYTHON`, else with `.venv` at the workspace's root.

use std::path::{Path, PathBuf};
use std::process::Command;

const TOUCHMARK: &str = env!("CARGO_BIN_EXE_touchmark");

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// A Python with what the scripts need, or a notice; where all tools must be
/// at hand, a missing one fails the test.
fn python(script: &str) -> Option<Command> {
    let program = std::env::var_os("TOUCHMARK_PYTHON").map_or_else(|| root().join(".venv/bin/python"), PathBuf::from);
    let imports = "import cbor2, cryptography, intelhex, PIL, pycddl, stdnum, zxingcpp";
    let found = Command::new(&program).args(["-c", imports]).output().is_ok_and(|output| output.status.success());
    let missing = format!("{} with tests/outside/requirements.txt is missing", program.display());
    let must_be_here = std::env::var_os("CI").is_some_and(|ci| ci == "true");
    assert!(found || !must_be_here, "{missing}");
    if !found {
        eprintln!("skipped: {missing}");
        return None;
    }
    let mut command = Command::new(program);
    command.arg(root().join("tests/outside").join(script));
    Some(command)
}

fn run(command: &mut Command) -> String {
    let output = command.output().unwrap();
    assert!(output.status.success(), "{command:?}\n{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn codes() {
    let directory = tempfile::tempdir().unwrap();
    let Some(mut python) = python("codes.py") else { return };
    let told = run(python.arg(TOUCHMARK).arg(directory.path()));
    assert!(told.contains("codes"), "{told}");
}

#[test]
fn verifiers() {
    let Some(mut python) = python("verifier.py") else { return };
    assert_eq!(run(python.arg(TOUCHMARK)), "27 verifiers\n");
}

#[test]
fn factory_records() {
    let directory = tempfile::tempdir().unwrap();
    let file = |name: &str| directory.path().join(name);
    std::fs::write(file("passcode"), "20202021\n").unwrap();
    std::fs::write(file("dac.der"), [&[0x30, 0x82, 0x01, 0x00][..], &[5; 256]].concat()).unwrap();
    let rows: [(&str, &[&str], &str); 2] = [
        (
            "least",
            &[],
            r#"{"0":1,"1":"TV-000017","2":65522,"3":"Tern & Hollow","4":35361,"5":"Tern Vent","6":3,
                          "8":"20261125","9":3840,"11":1000}"#,
        ),
        (
            "more",
            &[
                "--with-passcode",
                "--hardware-version-text=C2, ö",
                "--dac",
                "dac.der",
                "--rotating-id=00112233445566778899aabbccddeeff",
            ],
            r#"{"0":1,"1":"TV-000017","2":65522,"3":"Tern & Hollow","4":35361,"5":"Tern Vent","6":3,"7":"C2, ö",
                "8":"20261125","9":3840,"11":1000,"13":"h'00112233445566778899aabbccddeeff","14":"h'DAC","17":20202021}"#,
        ),
    ];
    for (name, more, expected) in rows {
        let Some(mut python) = python("record.py") else { return };
        let [cbor, image, hex] = ["cbor", "bin", "hex"].map(|kind| file(&format!("{name}.{kind}")));
        let mut touchmark = Command::new(TOUCHMARK);
        touchmark.current_dir(directory.path()).args(["record", "make", "--passcode-file", "passcode"]);
        touchmark.args(["--serial-number=TV-000017", "--vendor-id=FFF2", "--vendor-name=Tern & Hollow"]);
        touchmark.args(["--product-id=8A21", "--product-name=Tern Vent", "--hardware-version=3"]);
        touchmark.args(["--manufactured=2026-11-25", "--discriminator=3840", "--iterations=1000"]);
        touchmark.arg("--cbor").arg(&cbor).arg("--image").arg(&image).arg("--region=0x1000");
        touchmark.arg("--hex").arg(&hex).arg("--address=0x0803FFF0").args(more);
        run(&mut touchmark);
        let dac = format!("h'30820100{}", "05".repeat(256));
        let schema = root().join("docs/factory-record.md");
        python.arg(schema).arg(expected.replace("h'DAC", &dac)).arg(cbor).arg(image).arg("4096");
        run(python.arg(hex).arg("0x0803FFF0"));
    }
}
