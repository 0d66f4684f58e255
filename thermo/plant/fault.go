package plant

// Faults is what is wrong with a machine, each by its severity; the zero value is a healthy machine.
// Severities that are shares run from 0 to below 1.
type Faults struct {
	Charge          float64 // deviation from the design charge: -0.2 is 20 % short, +0.2 is 20 % over
	LineRestriction float64 // added pressure drop of the liquid line at design flow, over that of condenser to evaporator
	Plugged         float64 // share of the metering area lost
	Bore            float64 // deviation of the installed bore from the one called for: -0.1 is 10 % too small
	StuckAt         float64 // opening at which a valve is stuck, 0: not stuck
	BulbLoose       float64 // share of the contact between bulb and line that is lost
	EvaporatorAir   float64 // share of the evaporator's air flow lost
	CondenserAir    float64 // share of the condenser's air flow lost
	NonCondensables float64 // air in the circuit: in condenser volumes at 101.3 kPa and 20 °C
	CompressorLeak  float64 // share of the flow lost inside the compressor
	ReversingLeak   float64 // share of the discharge that leaks across the reversing valve
	Frost           float64 // share of the evaporator's face closed by frost
}

// Conditions is what a machine works under.
type Conditions struct {
	OutdoorC     float64
	OutdoorRatio float64 // kg/kg of vapour in the outdoor air
	IndoorC      float64 // air entering the indoor coil, or the air of the cold space
	IndoorRatio  float64
	Heating      bool
	Speed        float64 // of the compressor, over rated; 0 means 1
	IndoorFan    float64 // speed of the indoor fan, over rated; 0 means 1
	Faults       Faults
}

const faultCount = 12

func (f *Faults) values() [faultCount]float64 {
	return [faultCount]float64{f.Charge, f.LineRestriction, f.Plugged, f.Bore, f.StuckAt, f.BulbLoose, f.EvaporatorAir,
		f.CondenserAir, f.NonCondensables, f.CompressorLeak, f.ReversingLeak, f.Frost}
}

func faultsOf(v [faultCount]float64) Faults {
	return Faults{v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7], v[8], v[9], v[10], v[11]}
}
