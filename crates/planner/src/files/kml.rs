//! KML.
use super::*;
pub fn read(_xml: xml::Xml) -> Result<Ride, ReadError> {
    Ok(Ride::default())
}
/// KML.
pub fn write_kml(_ride: &Ride) -> Vec<u8> {
    Vec::new()
}
