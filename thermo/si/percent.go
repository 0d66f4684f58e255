package si

// Percent is a share in hundredths: 51.1 is 51.1 %. It serves relative humidity, compressor
// speed and the accuracy of a humidity sensor.
type Percent float64

// String returns p with the digits needed to tell it apart, for errors and logs.
func (p Percent) String() string { return shortest(float64(p), percent) }
