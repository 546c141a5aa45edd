//! A paired phone, as tests hold it.

use super::farm::{Reply, TestFarm};
use crate::clock::Clock;

/// A paired phone: keeps its cookie, fills in forms as a browser does.
pub(super) struct Phone<'a> {
    pub(super) farm: &'a TestFarm,
    pub(super) cookie: String,
}

impl<'a> Phone<'a> {
    pub(super) async fn paired(farm: &'a TestFarm) -> Phone<'a> {
        let code = farm.keys.make_code(farm.clock.now()).unwrap();
        let link = farm.get(&format!("/pair/{code}")).await;
        assert!(link.body.contains(&code), "{link:?}");
        let phone = Phone { farm, cookie: String::new() };
        let reply = phone.send("/pair", &[("code", &code), ("name", "OM")], &phone.origin()).await;
        assert_eq!((reply.status, reply.header("location")), (303, Some("/")), "{reply:?}");
        let cookie = reply.header("set-cookie").unwrap();
        assert!(cookie.contains("httponly") && cookie.contains("samesite=strict"), "{cookie}");
        Phone { farm, cookie: cookie.split(';').next().unwrap().to_owned() }
    }

    pub(super) fn origin(&self) -> String {
        format!("http://{}", self.farm.at)
    }

    pub(super) async fn get(&self, target: &str) -> Reply {
        self.farm.ask("GET", target, &[("Cookie", &self.cookie)], "").await
    }

    pub(super) async fn send(&self, target: &str, fields: &[(&str, &str)], origin: &str) -> Reply {
        let encode = |text: &str| -> String {
            text.bytes()
                .map(|byte| {
                    if byte.is_ascii_alphanumeric() {
                        char::from(byte).to_string()
                    } else {
                        format!("%{byte:02X}")
                    }
                })
                .collect()
        };
        let body: Vec<String> =
            fields.iter().map(|(key, value)| format!("{}={}", encode(key), encode(value))).collect();
        let kind = "application/x-www-form-urlencoded";
        let headers = [("Content-Type", kind), ("Cookie", &self.cookie), ("Origin", origin)];
        self.farm.ask("POST", target, &headers, &body.join("&")).await
    }

    /// Opens a page, fills its form and sends it.
    pub(super) async fn fill(&self, target: &str, fields: &[(&str, &str)]) -> Reply {
        let page = self.get(target).await;
        assert_eq!(page.status, 200, "{page:?}");
        let mut all: Vec<(String, String)> = inputs(&page.body);
        for (key, value) in fields {
            all.retain(|(other, _)| other != key);
            all.push(((*key).to_owned(), (*value).to_owned()));
        }
        let form = page.body.split("<form class=\"write\" method=\"post\" action=\"").nth(1).unwrap();
        let action = form.split('"').next().unwrap();
        let all: Vec<(&str, &str)> = all.iter().map(|(key, value)| (key.as_str(), value.as_str())).collect();
        self.send(action, &all, &self.origin()).await
    }
}

/// Names and values of the inputs of the page's form that are filled in already.
pub(super) fn inputs(page: &str) -> Vec<(String, String)> {
    let form = page.split("<form class=\"write\"").nth(1).unwrap().split("</form>").next().unwrap();
    let attribute = |tag: &str, name: &str| {
        tag.split(&format!(" {name}=\"")).nth(1).map(|rest| rest.split('"').next().unwrap().to_owned())
    };
    let mut inputs = Vec::new();
    for tag in form.split("<input").skip(1).map(|tag| tag.split('>').next().unwrap()) {
        let button = tag.contains("type=\"radio\"") || tag.contains("type=\"checkbox\"");
        if button && !tag.contains(" checked") {
            continue;
        }
        inputs.extend(attribute(tag, "name").zip(attribute(tag, "value")));
    }
    for select in form.split("<select").skip(1).map(|select| select.split("</select>").next().unwrap()) {
        let chosen = select.split("<option").find(|option| option.contains(" selected")).unwrap_or_default();
        inputs.extend(attribute(select, "name").zip(attribute(chosen, "value")));
    }
    inputs
}
