//! The page in a headless Chromium: the whole job from an empty folder and a sample photo to a PDF, with pointer, finger
//! and keyboard, wide and narrow, light and dark.
//!
//! Needs chromedriver with Chromium (Debian: chromium, chromium-driver) and axe-core (`CLOTHLINE_AXE`, the path of its
//! axe.min.js); without them it says so and passes, except where `CI` is set. Pictures of every screen go into
//! `target/page-screens`, or where `CLOTHLINE_SCREENS` says.

mod page;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use page::Page;
use page::webdriver::{Browser, CONTROL, DELETE, DOWN, ENTER, RIGHT, SPACE, TAB, UP, decoded};
use serde_json::{Value, json};

const PHOTO: &str = "sample-photos/01-tee-green-inch.jpg";

fn browser() -> Option<Browser> {
    let found = Browser::start();
    assert!(found.is_some() || std::env::var_os("CI").is_none(), "no chromedriver");
    if found.is_none() {
        println!("no chromedriver: the page was not opened");
    }
    found
}

/// Where pictures of the screens go.
fn screens() -> PathBuf {
    let folder = std::env::var_os("CLOTHLINE_SCREENS")
        .map_or_else(|| Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("page-screens"), PathBuf::from);
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// A place of the outline's frame in window pixels.
fn on_screen(browser: &Browser, at: &Value) -> [f64; 2] {
    let script = "const s = board.screen(arguments[0]), b = board.canvas.getBoundingClientRect(); return [s[0] + b.left, s[1] + b.top]";
    serde_json::from_value(browser.run(script, &json!([at]))).unwrap()
}

fn tool(browser: &Browser, name: &str) {
    browser.click(&format!("button[aria-label=\"{name}\"]"));
}

/// What of the piece a change can change.
fn piece(browser: &Browser) -> Value {
    browser.get("(({outline, edges, fold, seams, cut_line, handles}) => ({outline, edges, fold, seams, cut_line, handles}))(board.view)")
}

/// Does something, waits until the engine has answered with another history, and gives the time that took, s.
fn changes(browser: &Browser, what: &str, act: impl FnOnce()) -> f64 {
    let (before, history) = (piece(browser), browser.get("board.view.history.length"));
    act();
    let began = Instant::now();
    browser.wait(&format!("board.view.history.length > {history}"));
    let took = began.elapsed().as_secs_f64();
    assert_ne!(piece(browser), before, "{what} changed nothing");
    let words = browser.get("board.view.undo");
    println!("{what}: {words}");
    took
}

/// Serious findings of axe-core on the screen shown.
fn accessible(browser: &Browser, screen: &str) {
    let Some(axe) = std::env::var_os("CLOTHLINE_AXE") else {
        assert!(std::env::var_os("CI").is_none(), "no axe-core");
        println!("{screen}: no axe-core (CLOTHLINE_AXE)");
        return;
    };
    browser.run(&std::fs::read_to_string(axe).unwrap(), &json!([]));
    let found = browser.run("return axe.run(document, { resultTypes: ['violations'] }).then((r) => r.violations.map((v) => ({ id: v.id, impact: v.impact, nodes: v.nodes.map((n) => n.html.slice(0, 160)) })))", &json!([]));
    let serious: Vec<&Value> =
        found.as_array().unwrap().iter().filter(|v| v["impact"] == "serious" || v["impact"] == "critical").collect();
    assert!(serious.is_empty(), "{screen}: {serious:#?}");
}

/// The side of the 50 mm test square on the PDF's first page as poppler draws it at 10 px per mm: between the upper edges
/// of its upper and lower lines.
fn square_mm(pdf: &[u8]) -> Option<f64> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a.pdf");
    std::fs::write(&file, pdf).unwrap();
    let drawn = Command::new("pdftoppm")
        .args(["-r", "254", "-f", "1", "-l", "1", "-gray", "-singlefile"])
        .arg(&file)
        .arg(folder.path().join("a"))
        .status();
    drawn.ok().filter(std::process::ExitStatus::success)?;
    let bytes = std::fs::read(folder.path().join("a.pgm")).unwrap();
    // P5, width, height, depth, one byte of white space, then the rows.
    let words: Vec<&[u8]> = bytes.splitn(4, |b| b.is_ascii_whitespace()).collect();
    let number = |w: &[u8]| String::from_utf8_lossy(w).parse::<usize>().unwrap();
    let (width, height) = (number(words[1]), number(words[2]));
    let rows = &bytes[bytes.len() - width * height..];
    let level = |y: usize| {
        let row = &rows[y * width..(y + 1) * width];
        let run = row.split(|v| *v > 140).max_by_key(|run| run.len()).map_or(0, <[u8]>::len);
        // As wide as the square and a pen; the 2 in square beside it is 508 px wide.
        (498..=505).contains(&row.split(|v| *v > 140).map(<[u8]>::len).find(|n| *n > 480).unwrap_or(0)) && run > 480
    };
    let lines: Vec<usize> = (1..height).filter(|y| level(*y) && !level(*y - 1)).collect();
    let (first, last) = (lines.first()?, lines.last()?);
    Some((last - first) as f64 / 10.0)
}

#[test]
fn the_whole_job() {
    let Some(browser) = browser() else { return };
    let set = tempfile::tempdir().unwrap();
    let mut page = Page::open(&set.path().join("weekend-tee"));
    let screens = screens();
    let shown = |name: &str| {
        browser.run("document.getElementById('said').classList.remove('shown')", &json!([]));
        for (scheme, dark) in [("light", false), ("dark", true)] {
            browser.dark(dark);
            for (size, w, h) in [("wide", 1360, 860), ("phone", 360, 740)] {
                browser.size(w, h);
                std::thread::sleep(Duration::from_millis(120));
                browser.picture(&screens.join(format!("{name}-{size}-{scheme}.png")));
                let across = browser.get("document.documentElement.scrollWidth").as_u64().unwrap();
                assert!(across <= u64::from(w), "{name} is {across} px wide on a screen of {w}");
            }
            browser.size(1360, 860);
            accessible(&browser, &format!("{name}, {scheme}"));
        }
        browser.dark(false);
    };

    // Photos: what gives the size, then the photo.
    browser.size(1360, 860);
    browser.go(&page.address());
    browser.wait("document.querySelector('input[name=kind]')");
    assert!(!browser.get("location.href").as_str().unwrap().contains("key"), "the key does not stay in the address");
    shown("photos-empty");
    browser.run("document.querySelector('input[value=grid]').click()", &json!([]));
    browser.type_into("#f-grid", "1in");
    let dropped = Instant::now();
    let photo = Path::new(env!("CARGO_MANIFEST_DIR")).join(PHOTO);
    browser.type_into("#files", photo.to_str().unwrap());
    browser.wait("document.querySelector('.stages li')");
    browser.picture(&screens.join("photos-tracing-wide-light.png"));
    browser.wait("document.querySelector('.piece a.button.main')");
    println!("first result {:.1} s after the drop", dropped.elapsed().as_secs_f64());
    shown("photos-traced");

    // Review: the size in words, the photo moved and enlarged.
    browser.click(".piece a.button.main");
    browser.wait("globalThis.board?.levels.length");
    assert!(
        browser
            .get("document.querySelector('.panel').textContent")
            .as_str()
            .unwrap()
            .contains("ten of them are 10.00 in")
    );
    let frames = frames_per_second(&browser);
    println!("pan and zoom: {frames:.0} frames a second");
    assert!(frames > 30.0, "{frames}");
    shown("review");
    corrections(&browser, &shown);

    // Reload, then the program killed and started again: nothing is lost.
    let kept = piece(&browser);
    browser.reload();
    browser.wait("globalThis.board?.levels.length");
    assert_eq!(piece(&browser), kept);
    page.kill();
    page = Page::open(&set.path().join("weekend-tee"));
    browser.go(&page.address());
    browser.wait("document.querySelector('.piece a.button.main')");
    browser.click(".piece a.button.main");
    browser.wait("globalThis.board?.levels.length");
    assert_eq!(piece(&browser), kept);
    keyboard(&browser);

    pattern(&browser, &shown);

    // Sheets, and the PDF.
    browser.click("a[href=\"#sheets\"]");
    browser.wait("document.querySelectorAll('.page img').length > 4");
    shown("sheets");
    let script = "return fetch('/take/A4.pdf').then((r) => r.arrayBuffer()).then((b) => { let t = ''; for (const v of new Uint8Array(b)) t += String.fromCharCode(v); return btoa(t); })";
    let pdf = decoded(browser.run(script, &json!([])).as_str().unwrap());
    match square_mm(&pdf) {
        Some(side) => assert!((side - 50.0).abs() <= 0.1, "the test square measures {side} mm"),
        None => assert!(std::env::var_os("CI").is_none(), "no pdftoppm, or no square"),
    }
    let complaints = browser.complaints();
    assert!(complaints.is_empty(), "{complaints:#?}");
}

/// What the edges are, an allowance, a notch, a tape check: redrawn and kept.
fn pattern(browser: &Browser, shown: &dyn Fn(&str)) {
    browser.click("a[href=\"#pattern\"]");
    browser.wait("document.querySelector('svg.paper .cut')");
    let cut = || browser.get("document.querySelector('svg.paper .cut').getAttribute('d')");
    let set_to = |keep: &str, value: &str| {
        let script = "const i = document.querySelector(`[data-keep=\"${arguments[0]}\"]`); i.value = arguments[1]; i.dispatchEvent(new Event('change'))";
        browser.run(script, &json!([keep, value]));
    };
    let press = |keep: &str| {
        drop(browser.run("document.querySelector(`[data-keep=\"${arguments[0]}\"]`).click()", &json!([keep])))
    };
    browser.run("document.querySelectorAll('.edgerow')[1].click()", &json!([]));
    browser.wait("document.querySelector('.edge.open')");
    let number = browser.get("document.querySelector('.edge.open .edgenum').textContent");
    let number = number.as_str().unwrap();
    let before = cut();
    set_to(&format!("allowance-{number}"), "3cm");
    browser.wait(&format!("document.querySelector('svg.paper .cut').getAttribute('d') !== {before}"));
    set_to(&format!("role-{number}"), "hem");
    browser.wait("document.querySelector('.edge.open .edgekind').textContent === 'hem'");
    let notches = browser.get("document.querySelectorAll('svg.paper .notch').length").as_u64().unwrap();
    press("n-add");
    browser.wait(&format!("document.querySelectorAll('svg.paper .notch').length > {notches}"));
    let times = browser.run("return (async () => { const set = (await (await fetch('/ask', { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: '{\"ask\":\"pattern\"}' })).json()).recipe; const times = []; for (let k = 0; k < 9; k++) { const t = performance.now(); await (await fetch('/ask', { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify({ ask: 'recipe', set }) })).json(); times.push(performance.now() - t); } return times.sort((a, b) => a - b)[4]; })()", &json!([]));
    println!("the pattern is made anew within {:.0} ms (median of 9)", times.as_f64().unwrap());
    shown("pattern");
    press("tab-set");
    browser.wait("document.querySelector('[data-keep=set-name]')");
    shown("pattern-set");
    press("tab-fit");
    browser.wait("document.querySelector('[data-keep=tape]')");
    shown("pattern-fit");
}

/// Frames drawn in a second of moving and enlarging.
fn frames_per_second(browser: &Browser) -> f64 {
    let script = "return new Promise((done) => {
        const began = performance.now(), first = board.frames || 0;
        let k = 0;
        const step = () => {
            k++;
            board.zoom(k % 40 < 20 ? 1.06 : 1 / 1.06, [400, 300]);
            board.pan(k % 2 ? 7 : -6, 3 * Math.sin(k / 9));
            const ms = performance.now() - began;
            if (ms < 1500) requestAnimationFrame(step);
            else { const n = board.frames - first; board.fit(); done(n / ms * 1000); }
        };
        requestAnimationFrame(step);
    })";
    browser.run(script, &json!([])).as_f64().unwrap()
}

fn corrections(browser: &Browser, shown: &dyn Fn(&str)) {
    let before = piece(browser);
    let mut times = Vec::new();
    let corner = |k: usize| browser.get(&format!("board.view.handles.filter((h) => h.corner)[{k}].at"));
    let edge_at = |share: f64| {
        browser.get(&format!(
            "(() => {{ const p = board.view.edges[1].path; return p[Math.round({share} * (p.length - 1))]; }})()"
        ))
    };

    tool(browser, "Move points");
    let at = on_screen(browser, &corner(3));
    // Held, the magnifier shows; let go, the pattern has changed.
    times.push(changes(browser, "moving a corner", || {
        browser.drag(&[at, [at[0] + 10.0, at[1] - 8.0], [at[0] + 16.0, at[1] - 12.0]], "mouse")
    }));
    times.push(changes(browser, "adding a point", || browser.drag(&[on_screen(browser, &edge_at(0.4))], "mouse")));
    let added = browser.get("board.view.handles.find((h) => h.added).at");
    let at = on_screen(browser, &added);
    times.push(changes(browser, "moving it with a finger", || {
        browser.drag(&[at, [at[0] + 6.0, at[1]], [at[0] + 12.0, at[1]]], "touch")
    }));
    let handle = browser.get("board.view.handles.findIndex((h) => h.added)");
    times.push(changes(browser, "removing a point", || {
        browser.run("board.tool.chosen = arguments[0]; [...document.querySelectorAll('.options button')].find((b) => b.textContent.startsWith('Remove')).click()", &json!([handle]));
    }));

    tool(browser, "Redraw a stretch");
    changes(browser, "redrawing with a snapping path", || {
        browser.drag(&[on_screen(browser, &edge_at(0.2))], "mouse");
        browser.wait("board.tool.path.length === 1");
        browser.drag(&[on_screen(browser, &edge_at(0.8))], "mouse");
    });
    tool(browser, "Split an edge");
    times.push(changes(browser, "splitting an edge", || browser.drag(&[on_screen(browser, &edge_at(0.5))], "mouse")));
    tool(browser, "Draw an inside seam");
    browser.run(
        "[...document.querySelectorAll('.pick button')].find((b) => b.textContent === 'my hand').click()",
        &json!([]),
    );
    changes(browser, "drawing an inside seam", || {
        let middle = browser.get("(() => { const p = board.view.outline, n = p.length; return [p.reduce((s, q) => s + q[0], 0) / n, p.reduce((s, q) => s + q[1], 0) / n]; })()");
        let [x, y] = on_screen(browser, &middle);
        browser.drag(&[[x - 60.0, y]], "mouse");
        browser.wait("board.tool.path.length === 1");
        browser.drag(&[[x + 10.0, y + 60.0]], "mouse");
        browser.wait("board.tool.path.length === 2");
        browser.click(".options .button.main");
    });
    shown("review-corrected");

    // In the list of edges: fold, straight, joined, an exact length.
    let open = |number: u64| {
        browser.run("document.querySelector(`[data-keep=edge${arguments[0]}]`).click()", &json!([number]));
        browser.wait("document.querySelector('.edge.open')");
    };
    let press =
        |keep: &str| browser.run("document.querySelector(`[data-keep=${arguments[0]}]`).click()", &json!([keep]));
    let fold = browser.get("board.view.fold.edge").as_u64().unwrap();
    open(fold);
    changes(browser, "no fold", || drop(press("nofold")));
    changes(browser, "marking the fold", || drop(press("fold")));
    let curved = browser.get("board.view.edges.find((e) => e.kind === 'curve' && !e.fold).number").as_u64().unwrap();
    open(curved);
    times.push(changes(browser, "straightening", || drop(press("straight"))));
    let first = browser.get("board.view.edges.find((e) => !e.fold && e.number > 1).number").as_u64().unwrap();
    if browser.get("document.querySelector('.edge.open')") != Value::Null {
        browser.click(".edge.open .edgerow");
    }
    open(first);
    let long = browser.get(&format!("board.view.edges[{}].length_mm", first - 1)).as_f64().unwrap();
    changes(browser, "an exact length", || {
        browser.run(
            "const i = document.getElementById('exact'); i.value = arguments[0]; i.form.requestSubmit()",
            &json!([format!("{:.1}mm", long + 4.0)]),
        );
    });
    let now =
        browser.get(&format!("Math.min(...board.view.edges.map((e) => Math.abs(e.length_mm - {:.1})))", long + 4.0));
    assert!(now.as_f64().unwrap() < 0.002, "{now}");
    times.push(changes(browser, "joining two edges", || drop(press("join"))));

    // Painting has the photo traced again.
    tool(browser, "Paint cloth or mat");
    browser
        .run("[...document.querySelectorAll('.pick button')].find((b) => b.textContent === 'mat').click()", &json!([]));
    let version = browser.get("board.view.backdrop.version");
    let at = on_screen(browser, &browser.get("board.view.traced[0]"));
    browser.drag(&[at, [at[0] + 8.0, at[1] + 4.0], [at[0] + 16.0, at[1] + 10.0]], "mouse");
    browser.wait("board.view.undo === 'painted mat'");
    browser.wait(&format!("!board.view.stale && board.view.backdrop.version !== {version}"));

    // All of it taken back, to the letter; then made again.
    let after = browser.get("board.view.history");
    let count = after.as_array().unwrap().len();
    for left in (0..count).rev() {
        tool_undo(browser, "undo");
        browser.wait(&format!("board.view.history.length === {left}"));
    }
    browser.wait("!board.view.stale");
    assert_eq!(piece(browser), before, "all taken back, it is as it was");
    for done in 1..=count {
        tool_undo(browser, "redo");
        browser.wait(&format!("board.view.history.length === {done}"));
    }
    browser.wait("!board.view.stale");
    assert_eq!(browser.get("board.view.history"), after);
    times.sort_by(f64::total_cmp);
    println!(
        "a change is answered and seen within {:.0} ms (median of {})",
        1000.0 * times[times.len() / 2],
        times.len()
    );
}

fn tool_undo(browser: &Browser, which: &str) {
    browser.run("document.querySelector(`.tools .${arguments[0]}`).click()", &json!([which]));
}

/// Moves through the page by Tab until something has the focus.
fn tab_to(browser: &Browser, selector: &str) {
    for _ in 0..80 {
        if browser.get(&format!("document.activeElement.matches('{selector}')")) == json!(true) {
            return;
        }
        browser.keys(None, &[TAB]);
    }
    panic!("no way by Tab to {selector}");
}

/// A point found, moved, taken back; a tool chosen; an edge split: by keys alone.
fn keyboard(browser: &Browser) {
    tab_to(browser, "canvas");
    let scale = browser.get("board.scale").as_f64().unwrap();
    browser.keys(None, &["+"]);
    assert!(browser.get("board.scale").as_f64().unwrap() > scale);
    browser.keys(None, &["0"]);
    tab_to(browser, ".tools button[aria-pressed=true]");
    browser.keys(None, &[DOWN]);
    assert_eq!(browser.get("document.activeElement.getAttribute('aria-label')"), json!("Move points"));
    browser.run("document.querySelector('canvas').focus()", &json!([]));
    changes(browser, "moving a corner by keys", || browser.keys(None, &["n", ENTER, RIGHT, RIGHT, UP, ENTER]));
    let history = browser.get("board.view.history.length").as_u64().unwrap();
    browser.keys(Some(CONTROL), &["z"]);
    browser.wait(&format!("board.view.history.length === {}", history - 1));
    changes(browser, "adding a point by keys", || browser.keys(None, &["n", RIGHT, RIGHT, "a"]));
    changes(browser, "removing a corner by keys", || browser.keys(None, &["n", DELETE]));
    let history = browser.get("board.view.history.length").as_u64().unwrap();
    browser.keys(Some(CONTROL), &["z"]);
    browser.wait(&format!("board.view.history.length === {}", history - 1));
    // Edges open by Enter, their buttons follow in the order of Tab.
    tab_to(browser, ".edgerow");
    browser.keys(None, &[ENTER]);
    browser.wait("document.querySelector('.edge.open')");
    tab_to(browser, "[data-keep=split]");
    changes(browser, "splitting an edge by keys", || browser.keys(None, &[SPACE]));
}
