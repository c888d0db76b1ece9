//! The page's server under attack: strangers, names that lead elsewhere, floods, bombs; and what is kept when it is killed.

mod page;

use std::io::Write;
use std::process::Command;
use std::time::{Duration, Instant};

use page::{Page, answer, lay_rectangle, lay_rectangles, until};
use serde_json::json;

#[test]
fn strangers_are_turned_away() {
    let set = tempfile::tempdir().unwrap();
    let page = Page::open(set.path());
    let (host, cookie) =
        (format!("Host: 127.0.0.1:{}\r\n", page.port), format!("Cookie: clothline-{}={}\r\n", page.port, page.key));
    assert_eq!(page.get("/", &page.let_in()).0, 200);
    // A name of another site that resolves to this computer (rebinding), and no name at all.
    for foreign in [format!("Host: evil.example:{}\r\n", page.port), "Host: 127.0.0.1\r\n".into(), String::new()] {
        assert_eq!(page.get("/", &(foreign + &cookie)).0, 403);
    }
    // Another site's page that asks in the same browser.
    for origin in ["https://evil.example", "null", "http://127.0.0.1:1"] {
        assert_eq!(page.get("/", &format!("{host}{cookie}Origin: {origin}\r\n")).0, 403, "{origin}");
    }
    assert_eq!(page.get("/", &format!("{host}{cookie}Sec-Fetch-Site: cross-site\r\n")).0, 403);
    // Without the key, with a wrong one, with half of it.
    assert_eq!(page.get("/", &host).0, 401);
    assert_eq!(page.get("/?key=0123456789abcdef0123456789abcdef", &host).0, 401);
    assert_eq!(page.get(&format!("/?key={}", &page.key[..16]), &host).0, 401);
    let (status, opened) = page.get(&format!("/?key={}", page.key), &host);
    assert_eq!(status, 303);
    assert!(opened.contains("HttpOnly; SameSite=Strict"));
    // A form of another site can send text, not JSON.
    let form = format!(
        "POST /ask HTTP/1.1\r\n{host}{cookie}Content-Type: text/plain\r\nContent-Length: 2\r\nConnection: close\r\n\r\n{{}}"
    );
    assert_eq!(page.raw(form.as_bytes()).0, 415);
    // Two keys are never the same.
    let other = tempfile::tempdir().unwrap();
    assert_ne!(Page::open(other.path()).key, page.key);
}

#[test]
fn no_name_leads_out_of_the_set() {
    let outer = tempfile::tempdir().unwrap();
    let set = outer.path().join("set");
    std::fs::write(outer.path().join("secret.json"), "{}").unwrap();
    std::fs::write(outer.path().join("secret.jpg"), "secret").unwrap();
    let page = Page::open(&set);
    let names = [
        "..%2Fsecret.jpg",
        "..%2F..%2Fsecret.jpg",
        "%2Fetc%2Fpasswd",
        "..",
        "a%00b",
        "a%5C..%5Cb",
        ".hidden",
        "%2e%2e%2fsecret.jpg",
        "",
        "CON%3A",
    ];
    for name in names {
        assert_eq!(page.put(name, b"x").0, 400, "{name}");
        for kind in ["/picture?piece=", "/photo?name="] {
            let (status, text) = page.get(&format!("{kind}{name}"), &page.let_in());
            assert!(status == 400 || status == 404, "{name}: {status}");
            assert!(!text.contains("secret\r") && !text.ends_with("secret"));
        }
    }
    for piece in ["../x", "/etc/x", "a/b", "..", "a\\b", "x\u{0}"] {
        let (status, _) = page
            .ask(&json!({ "ask": "describe", "piece": piece, "photos": ["a.jpg"], "reference": { "grid": "1in" } }));
        assert_eq!(status, 400, "{piece}");
        let (status, _) =
            page.ask(&json!({ "ask": "describe", "piece": "p", "photos": [piece], "reference": { "grid": "1in" } }));
        assert_eq!(status, 400, "{piece}");
    }
    for path in
        ["/../secret.jpg", "/page/../../secret.jpg", "/take/../secret.jpg", "/take/..%2f..%2fsecret.pdf", "/photos/x"]
    {
        let (status, text) = page.get(path, &page.let_in());
        assert!(matches!(status, 400 | 404), "{path}: {status}");
        assert!(!text.ends_with("secret"));
    }
    // A link out of the set is not followed.
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(outer.path().join("secret.jpg"), set.join("photos/link.jpg")).unwrap();
        assert_eq!(page.get("/photo?name=link.jpg", &page.let_in()).0, 404);
    }
    let mut names: Vec<_> = std::fs::read_dir(outer.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["secret.jpg", "secret.json", "set"]);
}

#[test]
fn floods_and_bombs_are_refused_and_leave_nothing() {
    let set = tempfile::tempdir().unwrap();
    let page = Page::open(set.path());
    let photos = || std::fs::read_dir(set.path().join("photos")).unwrap().count();
    // Two gigabytes announced: answered at once, without waiting for them.
    let began = Instant::now();
    let announced =
        format!("PUT /photo?name=big.jpg HTTP/1.1\r\n{}Content-Length: {}\r\n\r\n", page.let_in(), 2u64 << 30);
    assert_eq!(page.raw(announced.as_bytes()).0, 413);
    assert!(began.elapsed() < Duration::from_secs(60), "it waited for them");
    // A length no memory could hold.
    let absurd = format!("PUT /photo?name=big.jpg HTTP/1.1\r\n{}Content-Length: {}\r\n\r\n", page.let_in(), u64::MAX);
    assert_eq!(page.raw(absurd.as_bytes()).0, 413);
    // Two gigabytes that are not announced but sent.
    let mut stream = page.connect();
    write!(stream, "PUT /photo?name=big.jpg HTTP/1.1\r\n{}Transfer-Encoding: chunked\r\n\r\n", page.let_in()).unwrap();
    let megabyte = vec![0x55u8; 1 << 20];
    let mut sent = 0;
    for _ in 0..2048 {
        let chunk = stream
            .write_all(b"100000\r\n")
            .and_then(|()| stream.write_all(&megabyte))
            .and_then(|()| stream.write_all(b"\r\n"));
        if chunk.is_err() {
            break;
        }
        sent += 1;
    }
    assert!(sent < 300, "{sent} MB were taken");
    drop(stream);
    // A length and chunks, two lengths, a length that is none: one of them is a lie (RFC 9112, 6.3).
    for lie in [
        "Content-Length: 3\r\nTransfer-Encoding: chunked\r\n",
        "Content-Length: 3\r\nContent-Length: 4\r\n",
        "Content-Length: x\r\n",
    ] {
        let request = format!(
            "PUT /photo?name=a.jpg HTTP/1.1\r\n{}{lie}Connection: close\r\n\r\n3\r\nabc\r\n0\r\n\r\n",
            page.let_in()
        );
        assert_eq!(page.raw(request.as_bytes()).0, 400, "{lie}");
    }
    // A head without end.
    assert_eq!(page.raw(&[b"GET / HTTP/1.1\r\nX: ".to_vec(), vec![b'a'; 40_000]].concat()).0, 431);
    assert_eq!(page.raw(b"\x16\x03\x01 what is this\r\n\r\n").0, 400);
    // A PNG that claims 60000 x 60000 pixels (IHDR of the PNG specification, 11.2.2), and things that are no pictures.
    let (status, text) = page.put("bomb.png", &bomb());
    assert_eq!(status, 422, "{text}");
    assert!(text.contains("megapixels"), "{text}");
    assert_eq!(page.put("text.jpg", b"not a picture at all").0, 422);
    // An iPhone's HEIC (the head of one): how to get a JPEG is told.
    let (status, text) = page.put("phone.heic", b"\0\0\0\x18ftypheic\0\0\0\0heicmif1");
    assert_eq!(status, 422, "{text}");
    assert!(text.contains("HEIC") && text.contains("Most Compatible"), "{text}");
    assert_eq!(page.put("empty.jpg", b"").0, 422);
    // Deep nonsense in JSON.
    assert_eq!(page.ask(&json!("x")).0, 400);
    let deep = "[".repeat(200_000);
    let request = format!(
        "POST /ask HTTP/1.1\r\n{}Content-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{deep}",
        page.let_in(),
        deep.len()
    );
    assert_eq!(page.raw(request.as_bytes()).0, 400);
    until("nothing of all that is kept", || photos() == 0);
    assert_eq!(page.get("/", &page.let_in()).0, 200);
}

/// The head of a PNG of 60000 x 60000 pixels, its check sum right.
fn bomb() -> Vec<u8> {
    let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut header = b"IHDR".to_vec();
    header.extend(60_000u32.to_be_bytes());
    header.extend(60_000u32.to_be_bytes());
    header.extend([8, 2, 0, 0, 0]);
    png.extend(13u32.to_be_bytes());
    png.extend(&header);
    // CRC-32 of the PNG specification, annex D.
    let crc = !header.iter().fold(!0u32, |crc, b| {
        (0..8).fold(crc ^ u32::from(*b), |c, _| if c & 1 == 1 { 0xedb8_8320 ^ (c >> 1) } else { c >> 1 })
    });
    png.extend(crc.to_be_bytes());
    png.extend([0, 0, 0, 0]);
    png.extend(b"IDAT");
    png
}

#[test]
fn a_hundred_requests_at_once_are_served_or_refused() {
    let set = tempfile::tempdir().unwrap();
    lay_rectangle(set.path(), "bag");
    let page = Page::open(set.path());
    // As many again that connect and say nothing.
    let silent: Vec<_> = (0..40).map(|_| page.connect()).collect();
    let began = Instant::now();
    let statuses: Vec<u16> = std::thread::scope(|scope| {
        let asked: Vec<_> = (0..100)
            .map(|k| {
                let page = &page;
                scope.spawn(move || match k % 3 {
                    0 => page.get("/page/main.js", &page.let_in()).0,
                    1 => page.ask(&json!({ "ask": "piece", "piece": "bag" })).0,
                    _ => page.ask(&json!({ "ask": "change", "piece": "bag", "step": { "step": "add-point", "at": [200, k] } })).0,
                })
            })
            .collect();
        asked.into_iter().map(|t| t.join().unwrap()).collect()
    });
    assert!(statuses.iter().all(|s| matches!(s, 200 | 503)), "{statuses:?}");
    assert!(statuses.iter().filter(|s| **s == 200).count() >= 40, "{statuses:?}");
    println!("a hundred requests at once: {:.1} s", began.elapsed().as_secs_f64());
    drop(silent);
    until("it serves again", || page.get("/", &page.let_in()).0 == 200);
    // Every change that was answered is there.
    let changes = page.ask(&json!({ "ask": "overview" })).1["pieces"][0]["changes"].as_u64().unwrap() as usize;
    let answered = (0..100).filter(|k| k % 3 == 2 && statuses[*k] == 200).count();
    assert_eq!(changes, answered);
}

#[test]
fn what_was_answered_outlives_kill_9() {
    let set = tempfile::tempdir().unwrap();
    lay_rectangle(set.path(), "bag");
    let mut expected = 0;
    for round in 0..4u64 {
        let mut page = Page::open(set.path());
        let pid = page.program.id();
        let killer = std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(60 + 37 * round));
            Command::new("kill").args(["-9", &pid.to_string()]).status().unwrap();
        });
        let mut answered = expected;
        while page.program.try_wait().unwrap().is_none() {
            let step = json!({ "step": "add-point", "at": [200.0, 100.0 + answered as f64 % 90.0] });
            let Ok(mut stream) = std::net::TcpStream::connect(("127.0.0.1", page.port)) else { break };
            let body = json!({ "ask": "change", "piece": "bag", "step": step }).to_string();
            let head = format!(
                "POST /ask HTTP/1.1\r\n{}Content-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
                page.let_in(),
                body.len()
            );
            if stream.write_all(head.as_bytes()).is_err() || answer(&mut stream).0 != 200 {
                break;
            }
            answered += 1;
        }
        killer.join().unwrap();
        let again = Page::open(set.path());
        let found = again.ask(&json!({ "ask": "overview" })).1["pieces"][0]["changes"].as_u64().unwrap();
        // The last one may have been kept without its answer getting through.
        assert!(found == answered || found == answered + 1, "{found} kept, {answered} answered");
        expected = found;
        let stray = std::fs::read_dir(set.path().join("pieces"))
            .unwrap()
            .filter(|e| e.as_ref().unwrap().file_name().to_string_lossy().ends_with(".part"));
        assert_eq!(stray.count(), 0, "what was half written is taken away");
    }
    assert!(expected > 0);
}

#[test]
fn corrections_change_the_piece_and_undo_restores_it_to_the_letter() {
    let set = tempfile::tempdir().unwrap();
    lay_rectangle(set.path(), "bag");
    let page = Page::open(set.path());
    let look = || page.ask(&json!({ "ask": "piece", "piece": "bag" })).1;
    let mut before = look();
    let steps = [
        json!({ "step": "move", "at": [200, 300], "to": [215, 310], "from": [200, 0], "until": [0, 300], "corner": true }),
        json!({ "step": "redraw", "path": [[200, 100], [185, 150], [200, 200]], "by": "hand" }),
        json!({ "step": "corner", "at": [100, 0], "corner": true }),
        json!({ "step": "fold", "at": [0, 150] }),
        json!({ "step": "length", "at": [0, 150], "from": [0, 300], "until": [0, 0], "keeps_end": false, "fades": [100, 0], "length": "31cm" }),
        json!({ "step": "seam", "path": [[50, 50], [150, 250]] }),
    ];
    let mut seen = vec![before.clone()];
    for step in &steps {
        let (status, now) = page.ask(&json!({ "ask": "change", "piece": "bag", "step": step }));
        assert_eq!(status, 200, "{step}: {now}");
        assert_ne!(
            (&now["outline"], &now["edges"], &now["fold"], &now["seams"]),
            (&before["outline"], &before["edges"], &before["fold"], &before["seams"]),
            "{step}"
        );
        before = look();
        seen.push(before.clone());
    }
    let fold = before["edges"].as_array().unwrap().iter().find(|e| e["fold"] == true).unwrap().clone();
    assert!((fold["length_mm"].as_f64().unwrap() - 310.0).abs() < 0.002, "{fold}");
    let drawn = |page: &Page| page.get("/take/pattern.svg", &page.let_in()).1;
    let last = drawn(&page);
    let part = |view: &serde_json::Value| {
        ["outline", "edges", "fold", "seams", "cut_line", "handles"].map(|k| view[k].clone())
    };
    for expected in seen.iter().rev().skip(1) {
        assert_eq!(page.ask(&json!({ "ask": "undo", "piece": "bag" })).0, 200);
        assert_eq!(part(&look()), part(expected));
    }
    assert_ne!(drawn(&page), last);
    for _ in &steps {
        page.ask(&json!({ "ask": "redo", "piece": "bag" }));
    }
    assert_eq!(drawn(&page), last, "made again, the pattern is the same to the letter");
    // What cannot be is refused in words, and changes nothing.
    let crossing = json!({ "step": "move", "at": [215, 310], "to": [100, -80], "from": [200, 0], "until": [0, 300], "corner": true });
    let (status, told) = page.ask(&json!({ "ask": "change", "piece": "bag", "step": crossing }));
    assert_eq!(status, 422);
    assert!(told["refused"]["seen"].as_str().unwrap().contains("cross"), "{told}");
    assert_eq!(drawn(&page), last);
    // What was traced is as it was, and the command makes what the page showed.
    let outline = |set: &std::path::Path| std::fs::read_to_string(set.join("pieces/bag.outline.json")).unwrap();
    let other = tempfile::tempdir().unwrap();
    lay_rectangle(other.path(), "bag");
    assert_eq!(outline(set.path()), outline(other.path()));
    let make = Command::new(env!("CARGO_BIN_EXE_clothline"))
        .args(["make", set.path().to_str().unwrap(), "--only", "svg", "--quiet"])
        .output()
        .unwrap();
    assert!(make.status.success(), "{}", String::from_utf8_lossy(&make.stderr));
    let made = std::fs::read_to_string(set.path().join("out/pattern.svg")).unwrap();
    assert!(last.ends_with(&made), "make and page draw the same pattern");
}

#[test]
fn the_set_is_changed_and_what_cannot_be_made_is_not_kept() {
    let set = tempfile::tempdir().unwrap();
    lay_rectangle(set.path(), "bag");
    let page = Page::open(set.path());
    let (status, told) = page.ask(&json!({ "ask": "pattern" }));
    assert_eq!(status, 200);
    assert!(told["refused"].is_null(), "{told}");
    let mut recipe = told["recipe"].clone();
    let area = |told: &serde_json::Value| {
        let ring: Vec<[f64; 2]> = serde_json::from_value(told["pieces"][0]["cut_line"].clone()).unwrap();
        let n = ring.len();
        (0..n).map(|i| ring[i][0] * ring[(i + 1) % n][1] - ring[(i + 1) % n][0] * ring[i][1]).sum::<f64>() / 2.0
    };
    recipe["pieces"][0]["fold"] = json!("none");
    recipe["pieces"][0]["allowances"] = json!({ "seam": "2cm" });
    recipe["pieces"][0]["notches"] = json!([{ "edge": "2", "at": "middle" }]);
    let began = Instant::now();
    let (status, told) = page.ask(&json!({ "ask": "recipe", "set": recipe }));
    println!("a changed allowance is redrawn within {:.0} ms", 1000.0 * began.elapsed().as_secs_f64());
    assert_eq!(status, 200, "{told}");
    // Steiner: 200 x 300 with mitred corners and 20 mm all round is 240 x 340.
    assert!((area(&told) - 240.0 * 340.0).abs() < 15.0, "{}", area(&told));
    assert_eq!(told["pieces"][0]["notches"].as_array().unwrap().len(), 1);
    let kept = std::fs::read_to_string(set.path().join("set.json")).unwrap();
    for wrong in [
        json!({ "allowances": { "99": "1cm" } }),
        json!({ "notches": [{ "edge": "2", "at": "9m" }] }),
        json!({ "roles": { "1": "tail" } }),
    ] {
        let mut bad = recipe.clone();
        bad["pieces"][0].as_object_mut().unwrap().extend(wrong.as_object().unwrap().clone());
        assert!(matches!(page.ask(&json!({ "ask": "recipe", "set": bad })).0, 400 | 404 | 422), "{wrong}");
        assert_eq!(std::fs::read_to_string(set.path().join("set.json")).unwrap(), kept);
    }
}

#[test]
fn what_another_hand_wrote_meanwhile_is_not_written_over() {
    let set = tempfile::tempdir().unwrap();
    lay_rectangle(set.path(), "bag");
    let page = Page::open(set.path());
    let mut recipe = page.ask(&json!({ "ask": "pattern" })).1["recipe"].clone();
    recipe["size"] = json!("Iris");
    let path = set.path().join("set.json");
    let by_hand = std::fs::read_to_string(&path).unwrap().replace("Bags", "Bags by hand");
    std::fs::write(&path, &by_hand).unwrap();
    let (status, told) = page.ask(&json!({ "ask": "recipe", "set": recipe }));
    assert_eq!(status, 400, "{told}");
    assert!(told["refused"]["seen"].as_str().unwrap().contains("changed outside"));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), by_hand);
    // Looked at again, it is there, and can be changed.
    let mut recipe = page.ask(&json!({ "ask": "pattern" })).1["recipe"].clone();
    assert_eq!(recipe["name"], "Bags by hand");
    recipe["size"] = json!("Ansel");
    assert_eq!(page.ask(&json!({ "ask": "recipe", "set": recipe })).0, 200);
}

#[test]
fn a_taken_port_is_told_and_ctrl_c_ends_cleanly() {
    let set = tempfile::tempdir().unwrap();
    let mut page = Page::open(set.path());
    let second = Command::new(env!("CARGO_BIN_EXE_clothline"))
        .args(["open", set.path().to_str().unwrap(), "--no-browser", "--port", &page.port.to_string()])
        .output()
        .unwrap();
    assert_eq!(second.status.code(), Some(4));
    assert!(String::from_utf8_lossy(&second.stderr).contains("is taken by another program"));
    Command::new("kill").args(["-INT", &page.program.id().to_string()]).status().unwrap();
    let end = Instant::now() + Duration::from_secs(60);
    let ended = loop {
        match page.program.try_wait().unwrap() {
            Some(status) => break status,
            None if Instant::now() > end => panic!("it goes on after Ctrl-C"),
            None => std::thread::sleep(Duration::from_millis(20)),
        }
    };
    assert!(ended.success());
}

/// The area that a piece's cut line encloses, mm².
fn area(piece: &serde_json::Value, line: &str) -> f64 {
    let ring: Vec<[f64; 2]> = serde_json::from_value(piece[line].clone()).unwrap();
    let n = ring.len();
    (0..n).map(|i| ring[i][0] * ring[(i + 1) % n][1] - ring[(i + 1) % n][0] * ring[i][1]).sum::<f64>() / 2.0
}

#[test]
fn every_change_to_the_set_is_taken_back_to_the_letter_also_tomorrow() {
    let set = tempfile::tempdir().unwrap();
    lay_rectangles(set.path(), &[("front", 300.0), ("back", 300.0)]);
    let mut page = Page::open(set.path());
    let recipe = |page: &Page| page.ask(&json!({ "ask": "pattern" })).1["recipe"].clone();
    let svg = |page: &Page| page.get("/take/pattern.svg", &page.let_in()).1;
    let kept = || std::fs::read_to_string(set.path().join("set.json")).unwrap();
    // Something changed on an outline, which must come back with its piece.
    let step = json!({ "step": "redraw", "path": [[200, 100], [185, 150], [200, 200]], "by": "hand" });
    assert_eq!(page.ask(&json!({ "ask": "change", "piece": "front", "step": step })).0, 200);
    let mut seen = vec![(recipe(&page), svg(&page))];
    let changes: [fn(&mut serde_json::Value); 6] = [
        |set| set["pieces"][0]["allowances"] = json!({ "4": "3cm" }),
        |set| set["pieces"][1]["notches"] = json!([{ "edge": "4", "at": "middle" }, { "edge": "1", "at": "5cm" }]),
        |set| drop(set["pieces"][1]["notches"].as_array_mut().unwrap().remove(0)),
        |set| set["pairs"] = json!([{ "sew": ["front/4", "back/4"] }]),
        |set| {
            let narrow = json!({ "name": "narrow", "of": "front", "variation": "narrow",
                "changes": [{ "move-edge": { "edge": "4", "in": "1cm" } }] });
            set["pieces"].as_array_mut().unwrap().push(narrow);
        },
        |set| set["tape"] = json!([{ "measure": "front/1", "length": "20cm" }]),
    ];
    for (i, change) in changes.iter().enumerate() {
        let mut next = seen[seen.len() - 1].0.clone();
        change(&mut next);
        let (status, told) = page.ask(&json!({ "ask": "recipe", "set": next, "words": format!("change {i}") }));
        assert_eq!(status, 200, "{told}");
        assert_eq!(told["undo"], format!("change {i}"));
        seen.push((recipe(&page), svg(&page)));
    }
    // What changes nothing is no step.
    let same = recipe(&page);
    page.ask(&json!({ "ask": "recipe", "set": same, "words": "nothing" }));
    // A piece is taken off, with what was changed on it.
    for name in ["narrow", "front"] {
        let (status, told) = page.ask(&json!({ "ask": "remove", "piece": name }));
        if name == "front" {
            // The pair names it: what cannot be made is told, and the piece is gone all the same.
            assert_eq!(status, 200, "{told}");
            assert!(!set.path().join("pieces/front.changes.json").exists());
        }
        assert_eq!(told["undo"], format!("took {name} off"));
    }
    page.kill();
    page = Page::open(set.path());
    for _ in 0..2 {
        assert_eq!(page.ask(&json!({ "ask": "undo-set" })).0, 200);
    }
    let last = seen.len() - 1;
    assert_eq!((recipe(&page), svg(&page)), seen[last], "the piece is back as it was corrected");
    for k in (0..last).rev() {
        assert_eq!(page.ask(&json!({ "ask": "undo-set" })).0, 200);
        assert_eq!(recipe(&page), seen[k].0, "{k}");
        assert_eq!(svg(&page), seen[k].1, "{k}");
        if k == 3 {
            page.kill();
            page = Page::open(set.path());
        }
    }
    let (_, told) = page.ask(&json!({ "ask": "undo-set" }));
    assert!(told["undo"].is_null() && told["redo"] == "change 0", "{told}");
    for (k, state) in seen.iter().enumerate().skip(1) {
        assert_eq!(page.ask(&json!({ "ask": "redo-set" })).0, 200);
        assert_eq!((&recipe(&page), &svg(&page)), (&state.0, &state.1), "{k}");
    }
    // A set changed by hand is not mixed with older changes.
    page.kill();
    let by_hand = kept().replace("front/1", "front/3");
    assert_ne!(by_hand, kept());
    std::fs::write(set.path().join("set.json"), &by_hand).unwrap();
    let page = Page::open(set.path());
    let (status, told) = page.ask(&json!({ "ask": "undo-set" }));
    assert_eq!(status, 400, "{told}");
    assert!(told["refused"]["seen"].as_str().unwrap().contains("change 5"), "{told}");
    assert_eq!(kept(), by_hand);
}

#[test]
fn pairs_are_trued_and_left_again() {
    let set = tempfile::tempdir().unwrap();
    lay_rectangles(set.path(), &[("front", 300.0), ("back", 303.0)]);
    let page = Page::open(set.path());
    let mut recipe = page.ask(&json!({ "ask": "pattern" })).1["recipe"].clone();
    for piece in recipe["pieces"].as_array_mut().unwrap() {
        piece["fold"] = json!("none");
        piece["roles"] = json!({ "1": "hem", "2": "side-seam", "3": "waist", "4": "side-seam" });
        piece["names"] = json!({ "2": "right", "4": "left" });
    }
    recipe["pairs"] = json!([{ "sew": ["front/right", "back/left"] }]);
    let (status, told) = page.ask(&json!({ "ask": "recipe", "set": recipe, "words": "pairs" }));
    assert_eq!(status, 200, "{told}");
    assert_eq!(told["seams"][0]["fits"], false);
    recipe["trued"] = json!(true);
    let (_, told) = page.ask(&json!({ "ask": "recipe", "set": recipe, "words": "trued" }));
    let lengths: [f64; 2] = serde_json::from_value(told["seams"][0]["lengths_mm"].clone()).unwrap();
    // 3 mm shared out, half on each.
    assert!(lengths.iter().all(|l| (l - 301.5).abs() < 0.03), "{lengths:?}");
    assert_eq!(told["moved"].as_array().unwrap().len(), 2, "{}", told["moved"]);
    for piece in told["pieces"].as_array().unwrap() {
        let high = if piece["name"] == "front" { 300.0 } else { 303.0 };
        assert!((area(piece, "untrued") - 200.0 * high).abs() < 2.0, "the line before is shown");
    }
    let (status, walked) = page.get("/take/truing.svg", &page.let_in());
    assert!(status == 200 && walked.contains("301.5 mm"), "{status}");
    let make = Command::new(env!("CARGO_BIN_EXE_clothline"))
        .args(["make", set.path().to_str().unwrap(), "--only", "json", "--json", "--quiet"])
        .output()
        .unwrap();
    let made: serde_json::Value = serde_json::from_slice(&make.stdout).unwrap();
    assert_eq!(made["checks"]["moved"], told["moved"], "the command trues what the page has trued");
    let (_, told) = page.ask(&json!({ "ask": "undo-set" }));
    assert_eq!(told["moved"], json!([]));
    assert!(told["pieces"][0]["untrued"].is_null());
    let lengths: [f64; 2] = serde_json::from_value(told["seams"][0]["lengths_mm"].clone()).unwrap();
    assert!((lengths[0] - 300.0).abs() < 0.01 && (lengths[1] - 303.0).abs() < 0.01, "{lengths:?}");
}

#[test]
fn cloth_make_sheet_and_report_are_made_on_the_page() {
    let set = tempfile::tempdir().unwrap();
    lay_rectangle(set.path(), "bag");
    let page = Page::open(set.path());
    let mut recipe = page.ask(&json!({ "ask": "pattern" })).1["recipe"].clone();
    recipe["pieces"][0]["fold"] = json!("none");
    recipe["pieces"][0]["allowances"] = json!({ "seam": "2cm" });
    recipe["cloth"] = json!([{ "name": "self", "width": "150cm", "nap": true }]);
    assert_eq!(page.ask(&json!({ "ask": "recipe", "set": recipe, "words": "cloth" })).0, 200);
    let (status, told) = page.ask(&json!({ "ask": "lay", "seconds": 0.5 }));
    assert_eq!(status, 200, "{told}");
    let plan = &told["plans"][0];
    // 300 mm and twice 20 mm along the grain; cloth is bought in steps of 5 cm.
    assert!((plan["length_mm"].as_f64().unwrap() - 340.0).abs() < 0.1, "{plan}");
    assert_eq!((plan["buy_mm"].as_f64(), &plan["nap"]), (Some(350.0), &json!(true)));
    assert!(plan["picture"].as_str().unwrap().contains("<svg"));
    assert_eq!(told["cloths"], json!(["self"]));
    let (status, told) = page.ask(&json!({ "ask": "make-sheet", "paper": "A4" }));
    assert!(status == 200 && told["pages"].as_array().unwrap().len() == 1, "{told}");
    let take = |file: &str| page.get(&format!("/take/{file}"), &page.let_in());
    let (status, html) = take("makesheet.html");
    assert!(status == 200 && html.contains("self: 35 cm"), "{html}");
    for file in ["lay.pdf", "makesheet-A4.pdf", "makesheet-Letter.pdf", "cards-A4.pdf"] {
        let (status, pdf) = take(file);
        assert!(status == 200 && pdf.contains("%PDF-"), "{file}: {status}");
    }
    let (status, told) = page.ask(&json!({ "ask": "report" }));
    let checks = told["checks"].as_array().unwrap();
    assert!(status == 200 && checks.iter().any(|c| c["text"].as_str().unwrap().contains("within the cut line")));
    let (status, report) = take("report.html?show=1");
    assert!(status == 200 && report.contains("sandbox") && report.contains("Checks:"), "{status}");
    // The command plans the cloth that the page was told of.
    let make = Command::new(env!("CARGO_BIN_EXE_clothline"))
        .args(["make", set.path().to_str().unwrap(), "--only", "lay", "--time", "0.5", "--quiet"])
        .output()
        .unwrap();
    assert!(make.status.success(), "{}", String::from_utf8_lossy(&make.stderr));
    assert!(set.path().join("out/lay-self-150cm.pdf").exists());
    // What cannot be is said in words.
    recipe["cloth"] = json!([{ "name": "self", "width": "20cm" }]);
    assert_eq!(page.ask(&json!({ "ask": "recipe", "set": recipe, "words": "narrow" })).0, 200);
    let (status, told) = page.ask(&json!({ "ask": "lay", "seconds": 0.5 }));
    assert_eq!(status, 422, "{told}");
    assert!(told["refused"]["advice"].as_str().unwrap().contains("cloth at least"), "{told}");
    assert!(matches!(take("lay-of-nothing.pdf").0, 400 | 404 | 422));
}

/// 5 mm wide and 3 mm deep, drawn by hand; smaller than what the fit of an edge would pass by as a wrinkle.
#[test]
fn a_small_correction_is_in_the_printed_pattern() {
    let set = tempfile::tempdir().unwrap();
    lay_rectangle(set.path(), "bag");
    let page = Page::open(set.path());
    let drawn = [[200.0, 147.5], [197.0, 150.0], [200.0, 152.5]];
    let step = json!({ "step": "redraw", "path": drawn, "by": "hand" });
    let (status, view) = page.ask(&json!({ "ask": "change", "piece": "bag", "step": step }));
    assert_eq!(status, 200, "{view}");
    let (_, told) = page.ask(&json!({ "ask": "pattern" }));
    let piece = &told["pieces"][0];
    assert_eq!(piece["edges"].as_array().unwrap().len(), 4, "it is a detail of an edge, no edge");
    let ring: Vec<[f64; 2]> = serde_json::from_value(piece["stitching_line"].clone()).unwrap();
    // The piece may be turned: by the distance of the ring's points from the rectangle's own lines, the tip is 3 mm in.
    let n = ring.len();
    let away = |p: [f64; 2]| {
        let segment = |i: usize| {
            let (a, b) = (ring[i], ring[(i + 1) % n]);
            let (u, w) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
            let t = ((u[0] * w[0] + u[1] * w[1]) / (u[0] * u[0] + u[1] * u[1]).max(1e-12)).clamp(0.0, 1.0);
            (p[0] - a[0] - t * u[0]).hypot(p[1] - a[1] - t * u[1])
        };
        (0..n).map(segment).fold(f64::INFINITY, f64::min)
    };
    // Upright, with its lower left at the origin, the rectangle lies where it was drawn, or is turned by half.
    let there = |p: [f64; 2]| away(p).min(away([200.0 - p[0], 300.0 - p[1]]));
    for p in drawn.into_iter().chain([[198.5, 148.75], [198.5, 151.25]]) {
        assert!(there(p) <= 0.3, "{p:?} is {:.2} mm off", there(p));
    }
}

#[test]
fn an_inside_seam_is_printed_dashed_and_cuts_the_piece_in_two() {
    let set = tempfile::tempdir().unwrap();
    lay_rectangle(set.path(), "bag");
    let page = Page::open(set.path());
    let mut recipe = page.ask(&json!({ "ask": "pattern" })).1["recipe"].clone();
    recipe["pieces"][0]["fold"] = json!("none");
    page.ask(&json!({ "ask": "recipe", "set": recipe, "words": "no fold" }));
    let step = json!({ "step": "seam", "path": [[50, 1], [50, 150], [50, 299]] });
    assert_eq!(page.ask(&json!({ "ask": "change", "piece": "bag", "step": step })).0, 200);
    let (_, told) = page.ask(&json!({ "ask": "pattern" }));
    assert_eq!(told["pieces"][0]["lines"].as_array().unwrap().len(), 1);
    let svg = page.get("/take/pattern.svg", &page.let_in()).1;
    assert!(svg.contains("inside-lines") && svg.contains("a seam inside the piece"), "line and key");
    let dxf = page.get("/take/pattern.dxf", &page.let_in()).1;
    // A polyline on layer 8, internal lines of ASTM D6673 (from memory).
    assert!(dxf.replace("\r\n", "\n").contains("POLYLINE\n8\n8\n"), "no line on the internal layer");
    // The page has it cut in two along the seam.
    let seam = &told["pieces"][0]["inside"][0];
    let marks: Vec<usize> = serde_json::from_value(seam["marks"].clone()).unwrap();
    let sides: Vec<Vec<usize>> = serde_json::from_value(seam["sides"].clone()).unwrap();
    let part = |side: usize| {
        let line: Vec<_> = (0..marks[1]).map(|k| json!({ "mark": marks[0] + k })).collect();
        json!({ "part": { "line": line, "holding": sides[side][0].to_string(), "name": "inside seam 1 of bag" } })
    };
    recipe["pieces"][0]["changes"] = json!([part(0)]);
    recipe["pieces"]
        .as_array_mut()
        .unwrap()
        .push(json!({ "name": "bag 2", "of": "bag", "fold": "none", "changes": [part(1)] }));
    let (status, told) = page.ask(&json!({ "ask": "recipe", "set": recipe, "words": "cut in two" }));
    assert_eq!(status, 200, "{told}");
    let areas: Vec<f64> = told["pieces"].as_array().unwrap().iter().map(|p| area(p, "stitching_line")).collect();
    assert!((areas.iter().sum::<f64>() - 200.0 * 300.0).abs() < 1.0, "{areas:?}");
    assert!((areas[0].min(areas[1]) - 50.0 * 300.0).abs() < 5.0, "{areas:?}");
    assert_eq!(told["seams"].as_array().unwrap().len(), 1, "{}", told["seams"]);
    assert_eq!(told["seams"][0]["fits"], true);
    assert!(told["pieces"].as_array().unwrap().iter().all(|p| p["lines"] == json!([])), "the line has become an edge");
}
