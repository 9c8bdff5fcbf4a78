#[test]
fn scratch() {
    let file = std::env::var("FILE").unwrap();
    let report = identify::identify(&identify::Capture::untimed(&std::fs::read(file).unwrap()), None);
    for finding in &report.findings { println!("{}: {} [{}]", finding.sureness, finding.text, finding.evidence); }
    if let Ok(_) = std::env::var("DRAFT") { println!("{}", report.draft.unwrap_or_default()); }
}
