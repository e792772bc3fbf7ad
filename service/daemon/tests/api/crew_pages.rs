//! A technician's pages: the same rules as the API, with and without scripts.

use hotspell_domain::Role;
use reqwest::{Method, StatusCode};
use serde_json::{Value, json};

use crate::desk::{Desk, cookie_of, value};
use crate::support::{Home, add_account, example_with, make_home, make_technician, place};

/// A JPEG as far as its first bytes tell.
const PICTURE: &[u8] = b"\xff\xd8\xff\xe0 a small picture of a bulged can \xff\xd9";

/// A home with two visits: one of the technician who reads, one of a colleague.
struct Crew {
    desk: Desk,
    token: String,
    own: i64,
    other: i64,
    home: Home,
}

impl Crew {
    async fn begin() -> Self {
        let mut desk = Desk::open().await;
        let (mine, colleague) = (
            make_technician(&desk.service, "T-1").await,
            make_technician(&desk.service, "T-2").await,
        );
        let home = make_home(&desk.service, "1", mine).await;
        let visit = example_with("VisitInput", json!({ "site_id": home.site }));
        let other = desk.service.make("/api/v1/visits", &visit).await["id"].as_i64().unwrap();
        place(&desk.service, home.visit, mine).await;
        place(&desk.service, other, colleague).await;
        let (store, branch) = (&desk.service.state.store, desk.service.branch);
        let token = add_account(store, branch, Role::Technician, Some(mine), None);
        // From here on the browser is the technician's.
        desk.cookie = cookie_of(&desk.service, &token).await;
        Self { desk, token, own: home.visit, other, home }
    }

    async fn count(&self, what: &str, visit: i64) -> usize {
        let all = self.desk.read(&format!("/api/v1/visits/{visit}/{what}")).await;
        all["items"].as_array().unwrap().len()
    }

    /// What a browser without scripts sends (RFC 7578).
    async fn send_photo(&self, visit: i64, token: &str, picture: &[u8]) -> (StatusCode, String) {
        let mut body = format!(
            "--b\r\nContent-Disposition: form-data; name=\"form_token\"\r\n\r\n{token}\r\n\
             --b\r\nContent-Disposition: form-data; name=\"photo\"; filename=\"can.jpg\"\r\n\
             Content-Type: image/jpeg\r\n\r\n"
        )
        .into_bytes();
        body.extend_from_slice(picture);
        body.extend_from_slice(b"\r\n--b--\r\n");
        let url = format!("{}/technician/visit/{visit}/photos/form", self.desk.service.url);
        let request = self.desk.browser.post(url).header("Cookie", &self.desk.cookie);
        let request = request.header("Content-Type", "multipart/form-data; boundary=b").body(body);
        let answer = request.send().await.unwrap();
        (answer.status(), answer.text().await.unwrap())
    }
}

#[tokio::test]
async fn a_technician_enters_what_was_found_at_own_visits_alone_by_page_and_by_api() {
    let crew = Crew::begin().await;
    let (status, form) = crew.desk.page(&format!("/technician/visit/{}", crew.own)).await;
    assert_eq!(status, StatusCode::OK, "{form}");
    let token = value(&form, "form_token").to_owned();
    let day = value(&form, "day").to_owned();
    // The history of the home is theirs to read, without a way to add to it.
    let (status, result) =
        crew.desk.page(&format!("/technician/visit/{}/result", crew.other)).await;
    assert_eq!(status, StatusCode::OK, "{result}");
    assert!(!result.contains("Add to the check"), "{result}");
    let api = |visit: i64, path: &str| {
        let path = format!("/api/v1/visits/{visit}/{path}");
        crew.desk.service.request(Method::POST, &path, &crew.token)
    };
    for (visit, is_own) in [(crew.other, false), (crew.own, true)] {
        let path = format!("/technician/visit/{visit}");
        let fields =
            [("form_token", &*token), ("day", &*day), ("client_key", "page/1"), ("note", "quiet")];
        let (form, _) = crew.desk.page(&path).await;
        let (sent, told) = crew.desk.send(&path, &fields).await;
        let photo = crew.send_photo(visit, &token, PICTURE).await.0;
        let request = crew.desk.browser.post(format!("{}{path}/photos", crew.desk.service.url));
        let request = request.header("Cookie", &crew.desk.cookie).header("X-Form-Token", &token);
        let script = request.body(PICTURE).send().await.unwrap().status();
        let result = json!({ "key": "api/1", "day": day, "note": "quiet" });
        let by_api = api(visit, "results").json(&result).send().await.unwrap().status();
        let request = api(visit, "photos").header("Content-Type", "image/jpeg").body(PICTURE);
        let photo_by_api = request.send().await.unwrap().status();
        let all = [form, sent, photo, script, by_api, photo_by_api];
        if is_own {
            use StatusCode as S;
            assert_eq!(
                all,
                [S::OK, S::SEE_OTHER, S::SEE_OTHER, S::OK, S::CREATED, S::OK],
                "{told}"
            );
        } else {
            assert_eq!(all, [StatusCode::NOT_FOUND; 6], "{told}");
            assert!(told.contains("This visit is not yours"), "{told}");
        }
        let expected = if is_own { (2, 1) } else { (0, 0) };
        let kept = (crew.count("results", visit).await, crew.count("photos", visit).await);
        assert_eq!(kept, expected, "visit {visit} of home {}", crew.home.site);
    }
}

#[tokio::test]
async fn a_photo_goes_without_scripts_and_is_refused_for_the_same_reasons() {
    let crew = Crew::begin().await;
    let path = format!("/technician/visit/{}", crew.own);
    let (_, form) = crew.desk.page(&path).await;
    let token = value(&form, "form_token").to_owned();
    let action = format!("action=\"{path}/photos/form\" enctype=\"multipart/form-data\"");
    assert!(form.contains(&action), "{form}");
    for (token, picture, status) in [
        ("", PICTURE, StatusCode::FORBIDDEN),
        (&*token, b"".as_slice(), StatusCode::UNPROCESSABLE_ENTITY),
        (&*token, b"GIF89a no picture that is taken", StatusCode::UNPROCESSABLE_ENTITY),
        (&*token, &vec![0xff; 9 * 1024 * 1024], StatusCode::PAYLOAD_TOO_LARGE),
    ] {
        let (got, told) = crew.send_photo(crew.own, token, picture).await;
        assert_eq!(got, status, "{} bytes: {told}", picture.len());
    }
    assert_eq!(crew.count("photos", crew.own).await, 0);
    for _ in 0..2 {
        let (status, told) = crew.send_photo(crew.own, &token, PICTURE).await;
        assert_eq!(status, StatusCode::SEE_OTHER, "{told}");
    }
    let photos = crew.desk.read(&format!("/api/v1/visits/{}/photos", crew.own)).await;
    let photos = photos["items"].as_array().unwrap();
    assert_eq!(photos.len(), 1, "the same one twice is one photo");
    let (_, form) = crew.desk.page(&path).await;
    let kept = format!("{path}/photos/{}", photos[0]["id"]);
    assert!(form.contains(&kept), "{form}");
    let audit: Value = crew.desk.read("/api/v1/audit?limit=500").await;
    let added = audit["items"].as_array().unwrap().iter();
    assert_eq!(added.filter(|entry| entry["action"] == "add photo").count(), 1);
}
