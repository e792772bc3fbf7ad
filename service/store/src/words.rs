//! The closed sets that only storage and its callers need, and ids of rows that the domain does
//! not speak of.

use hotspell_domain::text_enum;
use serde::{Deserialize, Serialize};

macro_rules! id {
    ($($(#[$doc:meta])* $name:ident),+ $(,)?) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
        #[serde(transparent)]
        pub struct $name(pub i64);

        impl core::fmt::Display for $name {
            fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
                self.0.fmt(f)
            }
        }

        impl From<i64> for $name {
            fn from(value: i64) -> Self {
                Self(value)
            }
        }

        impl From<$name> for i64 {
            fn from(id: $name) -> Self {
                id.0
            }
        }
    )+};
}

id! {
    /// A weather station.
    StationId,
    /// One bearer token or session.
    TokenId,
    /// One picture of a visit.
    PhotoId,
    /// A program that is told of changes.
    SubscriptionId,
}

text_enum!(
    /// What a recorded computation was.
    RunKind, "run kind" {
        /// Weather was fetched and checked.
        Weather => "weather",
        /// Every part of the branch was scored.
        Scoring => "scoring",
        /// The life model was fitted anew.
        Fit => "fit",
        /// A season plan was computed.
        SeasonPlan => "season-plan",
        /// A day or plan was repaired.
        Repair => "repair",
        /// Load lists were computed.
        LoadLists => "load-lists",
        /// A season was rehearsed.
        Rehearsal => "rehearsal",
        /// The life model was judged by the seasons that have passed.
        Backtest => "backtest",
        /// A file was imported.
        Import => "import",
    }
);

text_enum!(
    /// How a recorded computation ended.
    RunOutcome, "run outcome" {
        /// Not ended yet, or the process died.
        Running => "running",
        /// It ended as it should.
        Succeeded => "succeeded",
        /// It ended with an error, kept in the detail.
        Failed => "failed",
        /// It was stopped before its end, on request.
        Stopped => "stopped",
    }
);

text_enum!(
    /// Where a season plan stands.
    PlanState, "plan state" {
        /// To look at and compare.
        Draft => "draft",
        /// Its visits were placed.
        Adopted => "adopted",
        /// Not wanted.
        Discarded => "discarded",
    }
);

text_enum!(
    /// Whether a route is the one in force.
    RouteState, "route state" {
        /// In force.
        Current => "current",
        /// A later revision took its place.
        Superseded => "superseded",
    }
);

text_enum!(
    /// Which section of a capacitor was measured.
    Section, "section" {
        /// The compressor section of a dual part, or the only one.
        Main => "main",
        /// The fan section of a dual part.
        Fan => "fan",
    }
);

text_enum!(
    /// By which way a notice goes.
    Channel, "channel" {
        /// Electronic mail.
        Mail => "mail",
        /// A signed call to another program.
        Webhook => "webhook",
    }
);

text_enum!(
    /// Where a notice stands.
    NoticeState, "notice state" {
        /// To be delivered when its time comes.
        Waiting => "waiting",
        /// A worker is delivering it, until its claim runs out.
        Claimed => "claimed",
        /// The receiving server took it.
        Delivered => "delivered",
        /// The receiving server said no for good: reach the person by phone.
        Refused => "refused",
        /// It failed too often or too long.
        GivenUp => "given-up",
        /// The connection broke so that nobody knows; it will be tried again under the same
        /// Message-ID.
        Unknown => "unknown",
        /// No longer wanted before it went out.
        Cancelled => "cancelled",
    }
);

text_enum!(
    /// What a household answered.
    AnswerKind, "answer" {
        /// The slot suits.
        Confirmed => "confirmed",
        /// Another slot was chosen.
        AnotherSlot => "another-slot",
        /// The visit is not wanted.
        Declined => "declined",
        /// The office is to call.
        CallMe => "call-me",
        /// No more mail.
        StopMail => "stop-mail",
    }
);

text_enum!(
    /// What a token is for.
    TokenScope, "token scope" {
        /// A person's session on the pages.
        Session => "session",
        /// Calls to the API.
        Api => "api",
        /// The calendar feed alone.
        CalendarFeed => "calendar-feed",
    }
);

text_enum!(
    /// The kinds of record in the change feed and the audit.
    Resource, "resource" {
        /// An office.
        Branch => "branch",
        /// A technician.
        Technician => "technician",
        /// A home.
        Site => "site",
        /// A person of a home.
        Contact => "contact",
        /// An agreement.
        Agreement => "agreement",
        /// A machine.
        Unit => "unit",
        /// A part.
        Component => "component",
        /// A measurement.
        Reading => "reading",
        /// A visit.
        Visit => "visit",
        /// A season plan.
        Plan => "plan",
        /// A day route.
        Route => "route",
        /// An account.
        Account => "account",
        /// A program that is told of changes.
        Subscription => "subscription",
        /// A branch's own lines in one kind of mail.
        NoticeLines => "notice-lines",
    }
);
