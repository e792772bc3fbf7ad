//! The text form of the published routing instances: a name, a VEHICLE block with number and capacity, a
//! CUSTOMER table with number, x, y, demand, ready time, due date, service time; customer 0 is the depot.
//! Stated by M. M. Solomon (1987), Algorithms for the vehicle routing and scheduling problems with time
//! window constraints, Operations Research 35, 254-265.

use crate::error::PlanningError;

/// How distances (which are also the times of travel) are counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Distances {
    /// Euclidean in double precision.
    Real,
    /// floor(10 d) / 10, as in the 12th DIMACS challenge.
    Tenths,
}

/// A row of the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Customer {
    /// Position.
    pub x: f64,
    /// Position.
    pub y: f64,
    /// Load.
    pub demand: i32,
    /// Earliest start of service.
    pub ready: f64,
    /// Latest start of service.
    pub due: f64,
    /// Length of service.
    pub service: f64,
}

/// A whole instance.
#[derive(Debug, Clone, PartialEq)]
pub struct Instance {
    /// Its name.
    pub name: String,
    /// Number of vehicles.
    pub vehicles: usize,
    /// Load that one vehicle can carry.
    pub capacity: i32,
    /// Depot first.
    pub customers: Vec<Customer>,
}

/// Most rows of one instance (the dense distance table bounds them).
pub const MAX_CUSTOMERS: usize = 10_000;
/// Largest coordinate or time.
const LARGEST: f64 = 100_000.0;

/// Reads an instance.
///
/// # Errors
/// What is wrong, with its line.
pub fn parse(text: &str) -> Result<Instance, PlanningError> {
    let mut lines = text
        .lines()
        .enumerate()
        .map(|(i, line)| (i + 1, line.trim()))
        .filter(|(_, l)| !l.is_empty());
    let (_, name) =
        lines.next().ok_or_else(|| wrong(1, "the file is empty; it starts with a name"))?;
    let mut vehicle: Option<(usize, i32)> = None;
    let mut customers: Vec<Customer> = Vec::new();
    let mut table = false;
    for (line, content) in lines {
        let upper = content.to_ascii_uppercase();
        if upper.starts_with("CUSTOMER") {
            table = true;
            continue;
        }
        if !content.starts_with(|c: char| c.is_ascii_digit() || c == '-' || c == '+') {
            let heading =
                ["VEHICLE", "NUMBER", "CUST"].iter().any(|known| upper.starts_with(known));
            if heading {
                continue;
            }
            return Err(wrong(line, "expected VEHICLE, CUSTOMER, a heading of theirs, or numbers"));
        }
        let numbers = numbers(line, content)?;
        if table {
            if customers.len() > MAX_CUSTOMERS {
                let count = customers.len() + 1;
                return Err(PlanningError::TooMany {
                    what: "customers",
                    count,
                    limit: MAX_CUSTOMERS,
                });
            }
            let row = customer(line, &numbers, customers.len())?;
            customers.push(row);
        } else if let [number, capacity] = numbers[..] {
            let sane = (1.0..=1e6).contains(&number) && (0.0..=1e9).contains(&capacity);
            if !sane {
                return Err(wrong(line, "number and capacity of vehicles must be positive"));
            }
            vehicle = Some((number as usize, capacity as i32));
        } else {
            return Err(wrong(line, "expected the number of vehicles and their capacity"));
        }
    }
    // What is missing is missed at the end.
    let end = text.lines().count();
    let (vehicles, capacity) = vehicle
        .ok_or_else(|| wrong(end, "the VEHICLE block with number and capacity is missing"))?;
    if customers.is_empty() {
        return Err(wrong(end, "the CUSTOMER table is missing; its first row is the depot"));
    }
    Ok(Instance { name: name.to_owned(), vehicles, capacity, customers })
}

fn numbers(line: usize, content: &str) -> Result<Vec<f64>, PlanningError> {
    content
        .split_whitespace()
        .map(|word| {
            word.parse::<f64>()
                .ok()
                .filter(|value| value.is_finite())
                .ok_or_else(|| wrong(line, &format!("\"{word}\" is not a number")))
        })
        .collect()
}

fn customer(line: usize, numbers: &[f64], expected: usize) -> Result<Customer, PlanningError> {
    let &[number, x, y, demand, ready, due, service] = numbers else {
        return Err(wrong(line, "a customer has seven numbers"));
    };
    if number.to_bits() != (expected as f64).to_bits() {
        return Err(wrong(
            line,
            &format!("expected customer {expected}; numbers must ascend by one"),
        ));
    }
    if [x, y].iter().any(|v| v.abs() > LARGEST)
        || [ready, due, service].iter().any(|v| !(0.0..=LARGEST).contains(v))
        || !(0.0..=1e9).contains(&demand)
    {
        return Err(wrong(
            line,
            &format!(
                "positions, times and demand must not be negative (positions may) or above {LARGEST}"
            ),
        ));
    }
    if due < ready {
        return Err(wrong(line, "the due date is before the ready time"));
    }
    Ok(Customer { x, y, demand: demand as i32, ready, due, service })
}

fn wrong(line: usize, problem: &str) -> PlanningError {
    PlanningError::Syntax { line, column: 0, problem: problem.to_owned() }
}

impl Instance {
    /// Distance between two rows.
    #[must_use]
    pub fn distance(&self, from: usize, to: usize, distances: Distances) -> f64 {
        let (a, b) = (self.customers[from], self.customers[to]);
        let exact = (a.x - b.x).hypot(a.y - b.y);
        match distances {
            Distances::Real => exact,
            Distances::Tenths => (10.0 * exact).floor() / 10.0,
        }
    }
}
