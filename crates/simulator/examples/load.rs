#![allow(missing_docs, clippy::print_stdout, clippy::disallowed_methods)]
use simulator::*;
use std::sync::Arc;
fn main() {
    let file = std::fs::read_to_string(std::env::args().nth(1).unwrap()).unwrap();
    let (p, f) = parser::Protocol::parse(&file);
    println!("{f:?}");
    let p = Arc::new(p.unwrap());
    let t = std::time::Instant::now();
    let mut n = 0;
    for seed in 0..100 {
        n += byte_stream(&Scene::practice(seed), &[], ByProtocol::new(p.clone()), SessionTime::from_millis(60_000))
            .len();
    }
    println!("100 sessions of 60 s: {:?}, {n} pieces", t.elapsed());
    let line = PtyLine::open().unwrap();
    println!("{}", line.path().display());
    let line = line.start(ByteStream::new(Telegrams::new(&Scene::practice(1), &[], ByProtocol::new(p)))).unwrap();
    std::thread::sleep(std::time::Duration::from_secs(10));
    let cpu = || std::fs::read_to_string("/proc/self/stat").unwrap();
    println!("waiting: {}", cpu().split(' ').skip(13).take(2).collect::<Vec<_>>().join(" "));
    let path = line.path().to_owned();
    let mut child =
        std::process::Command::new("sh").arg("-c").arg(format!("cat {} >/dev/null", path.display())).spawn().unwrap();
    std::thread::sleep(std::time::Duration::from_secs(30));
    println!("sending: {}", cpu().split(' ').skip(13).take(2).collect::<Vec<_>>().join(" "));
    println!("{}", std::fs::read_to_string("/proc/self/task/self/schedstat").unwrap_or_default());
    for t in std::fs::read_dir("/proc/self/task").unwrap() {
        let t = t.unwrap().path();
        println!(
            "{} {}",
            std::fs::read_to_string(t.join("comm")).unwrap().trim(),
            std::fs::read_to_string(t.join("schedstat")).unwrap().trim()
        );
    }
    println!("{:?}", line.stop());
    child.kill().ok();
    child.wait().ok();
}
