//! The description of the API holds every route.

#[test]
fn every_route_is_described() {
    let described: serde_json::Value = serde_json::from_str(include_str!("openapi.json")).unwrap();
    let code = include_str!("../api.rs");
    let routes: Vec<&str> =
        code.split(".route(\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    assert!(routes.len() >= 12, "{routes:?}");
    for route in routes {
        assert!(described["paths"].get(route).is_some(), "{route} is not described");
    }
}
