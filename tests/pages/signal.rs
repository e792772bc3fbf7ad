//! The way between a phone and the service, which can be cut.

use std::net::SocketAddr;

use tokio::net::{TcpListener, TcpStream};
use tokio::task::{JoinHandle, JoinSet};

/// Passes connections on to the service until it is cut; keeps its own address for ever.
pub(crate) struct Signal {
    address: SocketAddr,
    service: String,
    passing: Option<JoinHandle<()>>,
}

impl Signal {
    /// A way to the service that listens on an address.
    pub(crate) async fn to(service: String) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let passing = Some(tokio::spawn(pass(listener, service.clone())));
        Self { address, service, passing }
    }

    /// Scheme, host and port of this end.
    pub(crate) fn base(&self) -> String {
        format!("http://{}", self.address)
    }

    /// No new connections, and an end to those that are open.
    pub(crate) async fn cut(&mut self) {
        if let Some(passing) = self.passing.take() {
            passing.abort();
            // The listener is gone when the task is.
            passing.await.unwrap_err();
        }
    }

    /// The signal is back.
    pub(crate) async fn restore(&mut self) {
        let listener = TcpListener::bind(self.address).await.unwrap();
        self.passing = Some(tokio::spawn(pass(listener, self.service.clone())));
    }
}

async fn pass(listener: TcpListener, service: String) {
    // Its tasks end with it.
    let mut open = JoinSet::new();
    while let Ok((mut near, _)) = listener.accept().await {
        let service = service.clone();
        open.spawn(async move {
            if let Ok(mut far) = TcpStream::connect(service).await {
                tokio::io::copy_bidirectional(&mut near, &mut far).await.ok();
            }
        });
    }
}
