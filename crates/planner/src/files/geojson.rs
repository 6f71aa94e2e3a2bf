//! GeoJSON.
use super::*;
pub fn read(_name: &str, _text: &str) -> Result<Ride, ReadError> {
    Ok(Ride::default())
}
/// GeoJSON.
pub fn write_geojson(_ride: &Ride) -> Vec<u8> {
    Vec::new()
}
