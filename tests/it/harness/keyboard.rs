//! A page by the keyboard alone: everything that can be used is reached by the tabulator, and shows it.

use fantoccini::actions::{InputSource, KeyAction, KeyActions};
use serde_json::Value;

use super::browser::Browser;

/// Names all that a person can use, and notes what gets the focus and whether that is to be seen. Of a
/// group of radio buttons the tabulator reaches one.
const PREPARE: &str = r"
    const groups = new Set();
    const usable = [...document.querySelectorAll(
        'a[href], button, input, select, textarea, summary, [tabindex]')].filter(it => {
        if (it.disabled || it.type === 'hidden' || it.tabIndex < 0) return false;
        if (!it.checkVisibility({ visibilityProperty: true })) return false;
        if (it.type !== 'radio') return true;
        const group = it.form?.action + ' ' + it.name;
        if (groups.has(group)) return false;
        groups.add(group);
        return true;
    });
    const place = it => it.id ? '#' + it.id
        : it.tagName.toLowerCase() + (it.name ? `[name=${it.name}]` : '') + ' «'
            + (it.getAttribute('aria-label') || it.textContent).trim().slice(0, 40) + '»';
    const of = it => it.type === 'radio'
        ? usable.findIndex(one => one.name === it.name && one.form === it.form)
        : usable.indexOf(it);
    window.walked = { reached: [], unseen: [] };
    document.addEventListener('focusin', event => {
        window.walked.reached.push(of(event.target));
        const style = getComputedStyle(event.target);
        const seen = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 1;
        if (!seen) window.walked.unseen.push(place(event.target));
    });
    window.usable = usable.map(place);
    // A date is three stops of one field.
    const dates = usable.filter(it => /^(date|time|month|week|datetime-local)$/.test(it.type));
    // What stands in a frame has stops of its own, which its page does not hear of.
    return usable.length + 6 * dates.length + 40 * document.querySelectorAll('iframe').length + 1;
";

const RESULT: &str = r"
    const { reached, unseen } = window.walked;
    const missed = window.usable.filter((_, index) => !reached.includes(index));
    // From the last it goes on with the first.
    const last = window.usable.length - 1;
    const jumps = reached.some((it, at) => at > 0 && it < reached[at - 1] && reached[at - 1] !== last);
    const faults = missed.map(it => `the tabulator does not reach ${it}`)
        .concat([...new Set(unseen)].map(it => `the focus is not to be seen on ${it}`));
    if (jumps) faults.push('the tabulator jumps back and forth');
    return faults;
";

/// Codes of keys (W3C `WebDriver`, 17.4.2 keyboard actions).
const TABULATOR: char = '\u{E004}';
/// The key that sends a form or follows a link.
pub const ENTER: &str = "\u{E007}";

impl Browser {
    /// Presses keys, one after the other, wherever the focus is.
    pub async fn keys(&self, keys: &str) {
        let pressed = keys.chars().fold(KeyActions::new("keys".to_owned()), |pressed, value| {
            pressed.then(KeyAction::Down { value }).then(KeyAction::Up { value })
        });
        self.window.perform_actions(pressed).await.unwrap();
    }

    /// Presses the tabulator until the focus is on what the selector names; how often that was.
    ///
    /// # Panics
    /// When it does not get there in two hundred steps.
    pub async fn tab_to(&self, css: &str) -> usize {
        for presses in 1..=200 {
            self.keys(&TABULATOR.to_string()).await;
            let script = "return document.activeElement.matches(arguments[0])";
            let there = self.window.execute(script, vec![css.into()]).await.unwrap();
            if there == Value::Bool(true) {
                return presses;
            }
        }
        panic!("the tabulator does not reach {css}");
    }

    /// Walks the page that is shown with the tabulator and says what is wrong (WCAG 2.2, 2.1.1 keyboard,
    /// 2.1.2 no trap, 2.4.3 focus order, 2.4.7 focus visible). The page is to be freshly loaded.
    pub async fn keyboard_faults(&self) -> Vec<String> {
        let presses = self.window.execute(PREPARE, Vec::new()).await.unwrap();
        let presses = presses.as_u64().expect("a number of presses");
        let presses = usize::try_from(presses).expect("fewer than a page can hold");
        self.keys(&TABULATOR.to_string().repeat(presses)).await;
        let faults = self.window.execute(RESULT, Vec::new()).await.unwrap();
        let faults = faults.as_array().expect("a list of faults");
        faults.iter().filter_map(Value::as_str).map(str::to_owned).collect()
    }
}
