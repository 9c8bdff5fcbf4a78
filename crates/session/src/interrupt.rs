//! An interrupt of the program, for a screen that lives longer than its sessions.

use std::io;
use std::thread;

/// Calls `act` at each interrupt (Ctrl-C) from now on, on a thread of its own that lives as long as the program.
///
/// The first session takes the interrupt from the system for good, so after it nothing else would end the program.
///
/// # Errors
/// The system gives no thread, no timer or no signal.
pub fn on_interrupt(act: impl Fn() + Send + 'static) -> io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    thread::Builder::new().name("interrupt".to_owned()).spawn(move || {
        runtime.block_on(async {
            while tokio::signal::ctrl_c().await.is_ok() {
                act();
            }
        });
    })?;
    Ok(())
}
