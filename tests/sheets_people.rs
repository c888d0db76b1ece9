//! Pages for people: the make sheet, the report, and that unchanged parts are left alone.

use std::path::Path;
use std::process::Command;

use clothline::report::base64;

fn run(folder: &Path, arguments: &[&str]) -> (Option<i32>, String, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_clothline")).current_dir(folder).args(arguments).output().unwrap();
    let text = |b: &[u8]| String::from_utf8_lossy(b).into_owned();
    (out.status.code(), text(&out.stdout), text(&out.stderr))
}

fn ok(folder: &Path, arguments: &[&str]) -> String {
    let (code, out, err) = run(folder, arguments);
    assert_eq!(code, Some(0), "{arguments:?}: {err}");
    out
}

/// Two bodies whose side seams differ by 4 mm, and a sleeve.
fn pieces(folder: &Path) {
    let outline = |name: &str, points: &[[f64; 2]]| {
        let text = serde_json::json!({"units": "mm", "outline": points}).to_string();
        std::fs::write(folder.join(format!("{name}.json")), text).unwrap();
    };
    outline("front", &[[0.0, 0.0], [250.0, 0.0], [250.0, 400.0], [180.0, 600.0], [0.0, 600.0]]);
    outline("back", &[[0.0, 0.0], [250.0, 0.0], [250.0, 404.0], [180.0, 604.0], [0.0, 604.0]]);
    outline("sleeve", &[[0.0, 0.0], [300.0, 0.0], [340.0, 100.0], [170.0, 280.0], [-40.0, 100.0]]);
    for body in ["front", "back"] {
        let names = [
            "--edge-name",
            "1=hem",
            "--edge-name",
            "2=side-seam",
            "--edge-name",
            "3=armhole",
            "--edge-name",
            "4=shoulder",
        ];
        let notch = ["--notch", "2@13in", "--fold", "5"];
        let file = format!("{body}.json");
        let start = ["seam", &file, "--name", body, "--out", body, "-q"];
        ok(folder, &[&start[..], &names[..], &notch[..]].concat());
    }
    ok(
        folder,
        &[
            "seam",
            "sleeve.json",
            "--name",
            "sleeve",
            "--out",
            "sleeve",
            "-q",
            "--fold",
            "none",
            "--cut",
            "2",
            "--edge-name",
            "1=hem",
            "--edge-name",
            "2=underarm-seam",
            "--edge-name",
            "5=underarm-seam",
            "--edge-name",
            "3=sleeve-cap",
            "--edge-name",
            "4=sleeve-cap",
        ],
    );
}

#[test]
fn the_make_sheet_can_be_sewn_from() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    pieces(at);
    ok(
        at,
        &[
            "sheets",
            "front",
            "back",
            "sleeve",
            "--only",
            "makesheet,lay",
            "--width",
            "150cm",
            "--time",
            "1",
            "--title",
            "Weekend <tee>",
            "--out",
            "print",
            "-q",
        ],
    );
    let page = std::fs::read_to_string(at.join("print/makesheet.html")).unwrap();
    assert!(page.contains("Weekend &lt;tee&gt;") && !page.contains("<tee>"));
    let place = |words: &str| page.find(words).unwrap_or_else(|| panic!("\"{words}\" is not on the sheet"));
    let order = [
        "Join front to back at the shoulder",
        "Sew sleeve into the armhole by its sleeve cap",
        "Join front to back at the side seam, notches matching",
        "Close sleeve at the underarm seam",
        "Turn and stitch the hem of front",
    ];
    for pair in order.windows(2) {
        assert!(place(pair[0]) < place(pair[1]), "{pair:?}");
    }
    // 400 mm against 404 mm: more than the 1.5 mm a pair may differ by.
    let sides = &page[place("at the side seam")..][..200];
    assert!(sides.contains("40.0 cm and 40.4 cm") && sides.contains("do not agree"), "{sides}");
    let shoulder = &page[place("at the shoulder")..][..120];
    assert!(!shoulder.contains("do not agree"), "{shoulder}");
    for words in ["self:", "of cloth 150 cm wide", "nightwear", "Blades", "1 on the fold", "where you live"] {
        place(words);
    }
    if Command::new("pdftotext").arg("-v").output().is_ok() {
        let told =
            Command::new("pdftotext").args(["-layout", "print/makesheet.pdf", "-"]).current_dir(at).output().unwrap();
        let text = String::from_utf8_lossy(&told.stdout).into_owned();
        assert_eq!(text.matches('\u{c}').count(), 1, "it is one page");
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        for words in order {
            assert!(flat.contains(words), "{words} is not in the PDF: {flat}");
        }
        let size = Command::new("pdfinfo").arg("print/makesheet.pdf").current_dir(at).output().unwrap();
        assert!(String::from_utf8_lossy(&size.stdout).contains("A4"), "{}", String::from_utf8_lossy(&size.stdout));
    }
}

#[test]
fn the_report_shows_checks_passed_and_failed() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    pieces(at);
    ok(at, &["sheets", "front", "back", "--only", "report", "--out", "print", "-q"]);
    let page = std::fs::read_to_string(at.join("print/report.html")).unwrap();
    let failed = "<li class=\"fail\">Join front to back at the side seam, notches matching: 400.0 mm and 404.0 mm";
    assert!(page.contains(failed), "{page}");
    assert!(page.contains("<li class=\"pass\">front: neither line crosses itself"));
    assert_eq!(page.matches("<svg").count(), 2, "a picture a piece");
    assert!(
        !page.contains("http://") || page.matches("http").count() == page.matches("xmlns").count(),
        "nothing is fetched"
    );
}

/// `make` and `sheets` write a kind again only when the pieces or what was asked of it changed, or a file is gone.
#[test]
fn unchanged_parts_are_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    pieces(at);
    let sheets = |only: &str, more: &[&str]| -> serde_json::Value {
        let first = ["sheets", "front", "back", "--only", only, "--out", "print", "--json"];
        serde_json::from_str(&ok(at, &[&first[..], more].concat())).unwrap()
    };
    let first = sheets("svg,dxf,sheets", &[]);
    assert_eq!(first["unchanged"].as_array().map(Vec::len), Some(0), "{first}");
    let when = |name: &str| std::fs::metadata(at.join("print").join(name)).unwrap().modified().unwrap();
    let before = when("pattern.svg");
    let again = sheets("svg,dxf,sheets", &[]);
    assert_eq!(again["unchanged"].as_array().map(Vec::len), Some(3), "{again}");
    assert_eq!(when("pattern.svg"), before);
    let other_paper = sheets("svg,dxf,sheets", &["--paper", "letter"]);
    assert_eq!(other_paper["unchanged"], serde_json::json!(["svg", "dxf"]));
    assert_eq!(other_paper["files"], serde_json::json!(["sheets-letter.pdf"]));
    std::fs::remove_file(at.join("print/pattern.svg")).unwrap();
    assert_eq!(sheets("svg", &[])["files"], serde_json::json!(["pattern.svg"]));
    ok(at, &["seam", "back.json", "--name", "back", "--out", "back", "-q", "--fold", "5", "--allowance", "1cm"]);
    assert_eq!(sheets("svg,dxf", &[])["unchanged"].as_array().map(Vec::len), Some(0), "a piece changed");
}

/// RFC 4648, section 10.
#[test]
fn base64_as_published() {
    for (plain, coded) in [
        ("", ""),
        ("f", "Zg=="),
        ("fo", "Zm8="),
        ("foo", "Zm9v"),
        ("foob", "Zm9vYg=="),
        ("fooba", "Zm9vYmE="),
        ("foobar", "Zm9vYmFy"),
    ] {
        assert_eq!(base64(plain.as_bytes()), coded);
    }
}
