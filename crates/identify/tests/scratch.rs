use simulator::*;
#[test]
fn scratch() {
    if let Ok(file) = std::env::var("FILE") {
    let report = identify::identify(&identify::Capture::untimed(&std::fs::read(file).unwrap()), None);
    for finding in &report.findings { println!("{}: {} [{}]", finding.sureness, finding.text, finding.evidence); }
    if let Ok(_) = std::env::var("DRAFT") { println!("{}", report.draft.unwrap_or_default()); }
    return;
    }
    let Ok(folder) = std::env::var("PROTO") else { return };
    for name in folder.split(' ') {
        println!("== {name}");
        let text = std::fs::read_to_string(format!("../../protocols/{name}.toml")).unwrap();
        let protocol = std::sync::Arc::new(parser::Protocol::parse(&text).0.unwrap());
        let scene = Scene::practice(7).fitted_to(protocol.layout());
        let mut capture = identify::Capture::timed();
        for (at, bytes) in byte_stream(&scene, &[], ByProtocol::new(protocol), SessionTime::from_millis(60_000)) { capture.push(at, &bytes); }
        println!("{} bytes", capture.bytes().len());
        let begun = std::time::Instant::now();
        let report = identify::identify(&capture, None);
        println!("{:?}", begun.elapsed());
        for finding in &report.findings { println!("{}: {} [{}]", finding.sureness, finding.text, finding.evidence); }
        if let Ok(_) = std::env::var("DRAFT") { println!("{}", report.draft.unwrap_or_default()); }
    }
}
