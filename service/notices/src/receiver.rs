//! A small mail server with fault injection, for tests (feature `test-receiver`).
//!
//! It speaks as much SMTP (RFC 5321) as a sender of one message at a time needs, on a free port
//! of the loopback interface, and fails on command: for the next messages in order, or for a
//! recipient always. No TLS.

use std::collections::{BTreeMap, VecDeque};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::io::{AsyncBufReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::AbortHandle;

/// What the server does with one message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// Takes it.
    Accept,
    /// Answers MAIL with 451.
    BusyAtMail,
    /// Answers RCPT with 451 (greylisting).
    BusyAtRecipient,
    /// Answers RCPT with 550.
    RefuseRecipient,
    /// Answers 554 after the message.
    RefuseMessage,
    /// Answers 451 after the message.
    BusyAfterMessage,
    /// Closes the connection in place of «go ahead».
    DropBeforeMessage,
    /// Closes the connection in the middle of the message and forgets it.
    DropDuringMessage,
    /// Keeps the message, then closes the connection without an answer.
    LoseAnswer,
    /// Keeps the message and never answers.
    HangAfterMessage,
    /// Says nothing at all, not even a greeting.
    HangAtGreeting,
}

/// A message as it arrived.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Received {
    /// Sender of the envelope.
    pub from: String,
    /// Recipients of the envelope.
    pub to: Vec<String>,
    /// The message, lines ended by CRLF, dots unstuffed.
    pub data: Vec<u8>,
}

impl Received {
    /// The value of a header that stands on one line.
    #[must_use]
    pub fn header(&self, name: &str) -> Option<String> {
        let text = String::from_utf8_lossy(&self.data);
        text.lines().take_while(|line| !line.is_empty()).find_map(|line| {
            let (key, value) = line.split_once(':')?;
            key.eq_ignore_ascii_case(name).then(|| value.trim().to_owned())
        })
    }
}

#[derive(Debug, Default)]
struct State {
    plan: VecDeque<Fault>,
    always: BTreeMap<String, Fault>,
    received: Vec<Received>,
    connections: usize,
}

/// A running server; it stops when dropped.
#[derive(Debug)]
pub struct TestReceiver {
    address: SocketAddr,
    state: Arc<Mutex<State>>,
    task: AbortHandle,
}

impl TestReceiver {
    /// Starts a server that takes everything. Must be called inside a tokio runtime.
    ///
    /// # Errors
    /// When no port can be listened on.
    pub async fn start() -> std::io::Result<Self> {
        Self::listen(SocketAddr::from(([127, 0, 0, 1], 0))).await
    }

    /// Starts a server on a given address, to come back where an earlier one was.
    ///
    /// # Errors
    /// When the address cannot be listened on.
    pub async fn listen(address: SocketAddr) -> std::io::Result<Self> {
        let listener = TcpListener::bind(address).await?;
        let address = listener.local_addr()?;
        let state = Arc::new(Mutex::new(State::default()));
        let shared = Arc::clone(&state);
        let task = tokio::spawn(async move {
            while let Ok((stream, _peer)) = listener.accept().await {
                lock(&shared).connections += 1;
                let shared = Arc::clone(&shared);
                // A peer that breaks off is part of the tests.
                tokio::spawn(async move { drop(converse(stream, &shared).await) });
            }
        });
        Ok(Self { address, state, task: task.abort_handle() })
    }

    /// Where it listens.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.address
    }

    /// What to do with the next messages, one fault each; then everything is taken again.
    pub fn plan(&self, faults: impl IntoIterator<Item = Fault>) {
        lock(&self.state).plan.extend(faults);
    }

    /// What to do with every message to a recipient.
    pub fn always_for(&self, recipient: &str, fault: Fault) {
        lock(&self.state).always.insert(recipient.to_owned(), fault);
    }

    /// What arrived so far.
    #[must_use]
    pub fn received(&self) -> Vec<Received> {
        lock(&self.state).received.clone()
    }

    /// How many connections there were.
    #[must_use]
    pub fn connections(&self) -> usize {
        lock(&self.state).connections
    }
}

impl Drop for TestReceiver {
    fn drop(&mut self) {
        self.task.abort();
    }
}

fn lock(state: &Mutex<State>) -> MutexGuard<'_, State> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

type Wire = BufReader<TcpStream>;

async fn say(wire: &mut Wire, line: &str) -> std::io::Result<()> {
    wire.get_mut().write_all(format!("{line}\r\n").as_bytes()).await
}

/// What the conversation does after a command.
enum Next {
    Go,
    Close,
}

struct Transaction {
    fault: Fault,
    from: String,
    to: Vec<String>,
}

async fn converse(stream: TcpStream, state: &Mutex<State>) -> std::io::Result<()> {
    let mut wire = BufReader::new(stream);
    if lock(state).plan.front() == Some(&Fault::HangAtGreeting) {
        lock(state).plan.pop_front();
        return hang(&mut wire).await;
    }
    say(&mut wire, "220 receiver.test ready").await?;
    let mut current = Transaction { fault: Fault::Accept, from: String::new(), to: Vec::new() };
    loop {
        let mut line = String::new();
        if wire.read_line(&mut line).await? == 0 {
            return Ok(());
        }
        if let Next::Close = answer(&mut wire, state, &mut current, line.trim_end()).await? {
            return Ok(());
        }
    }
}

async fn answer(
    wire: &mut Wire,
    state: &Mutex<State>,
    current: &mut Transaction,
    line: &str,
) -> std::io::Result<Next> {
    let verb = line.split([' ', ':']).next().unwrap_or_default().to_ascii_uppercase();
    match verb.as_str() {
        "EHLO" => {
            say(wire, "250-receiver.test").await?;
            say(wire, "250 8BITMIME").await?;
        }
        "MAIL" => {
            let fault = lock(state).plan.pop_front().unwrap_or(Fault::Accept);
            *current = Transaction { fault, from: address_in(line), to: Vec::new() };
            let busy = fault == Fault::BusyAtMail;
            say(wire, if busy { "451 4.3.2 busy, try later" } else { "250 2.1.0 ok" }).await?;
        }
        "RCPT" => {
            let recipient = address_in(line);
            if let Some(fault) = lock(state).always.get(&recipient) {
                current.fault = *fault;
            }
            match current.fault {
                Fault::BusyAtRecipient => say(wire, "451 4.7.1 greylisted, try later").await?,
                Fault::RefuseRecipient => say(wire, "550 5.1.1 no such mailbox").await?,
                _ => {
                    current.to.push(recipient);
                    say(wire, "250 2.1.5 ok").await?;
                }
            }
        }
        "DATA" => return take_message(wire, state, current).await,
        "QUIT" => {
            say(wire, "221 2.0.0 bye").await?;
            return Ok(Next::Close);
        }
        "NOOP" | "RSET" => say(wire, "250 2.0.0 ok").await?,
        _ => say(wire, "502 5.5.2 unknown command").await?,
    }
    Ok(Next::Go)
}

async fn take_message(
    wire: &mut Wire,
    state: &Mutex<State>,
    current: &Transaction,
) -> std::io::Result<Next> {
    if current.fault == Fault::DropBeforeMessage {
        return Ok(Next::Close);
    }
    say(wire, "354 go ahead").await?;
    if current.fault == Fault::DropDuringMessage {
        let mut first = String::new();
        wire.read_line(&mut first).await?;
        return Ok(Next::Close);
    }
    let data = read_data(wire).await?;
    let keep = || {
        let received = Received { from: current.from.clone(), to: current.to.clone(), data };
        lock(state).received.push(received);
    };
    match current.fault {
        Fault::RefuseMessage => say(wire, "554 5.6.0 message refused").await?,
        Fault::BusyAfterMessage => say(wire, "451 4.3.0 try later").await?,
        Fault::LoseAnswer => {
            keep();
            return Ok(Next::Close);
        }
        Fault::HangAfterMessage => {
            keep();
            hang(wire).await?;
            return Ok(Next::Close);
        }
        _ => {
            keep();
            say(wire, "250 2.0.0 taken").await?;
        }
    }
    Ok(Next::Go)
}

/// Waits until the peer closes.
async fn hang(wire: &mut Wire) -> std::io::Result<()> {
    let mut line = String::new();
    while wire.read_line(&mut line).await? > 0 {
        line.clear();
    }
    Ok(())
}

async fn read_data(wire: &mut Wire) -> std::io::Result<Vec<u8>> {
    let mut data = Vec::new();
    loop {
        let mut line = Vec::new();
        if wire.read_until(b'\n', &mut line).await? == 0 {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
        if line == b".\r\n" {
            return Ok(data);
        }
        let unstuffed = line.strip_prefix(b".").unwrap_or(&line);
        data.extend_from_slice(unstuffed);
    }
}

fn address_in(line: &str) -> String {
    line.split_once('<')
        .and_then(|(_, rest)| rest.split_once('>'))
        .map_or_else(String::new, |(address, _)| address.to_owned())
}
