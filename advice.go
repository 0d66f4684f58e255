package dewline

// Advice is what is to be done about a likely cause: what would settle it, and the checks in the order
// in which an experienced technician makes them, cheapest first. It is common practice, and no
// substitute for the maker's instructions; see [Caution].
type Advice struct {
	Settles string
	Checks  []string
}

// Caution is shown wherever somebody is told what to do.
const Caution = "Pressure, electricity and refrigerant can injure, and some refrigerants burn. " +
	"Local codes, the equipment's data plate and its maker's instructions come first; work on the circuit is for licensed people only."

// WorthBringing is the probability from which something is brought along for a cause: driving back for
// a drier costs more than carrying one.
const WorthBringing = 0.15

// OpensCircuit says whether the repair of a cause opens the refrigerant circuit, and so takes a
// certificate, a recovery cylinder and fresh charge. An airflow, a bulb's strap or a sensor's clamp does
// not.
func (c Cause) OpensCircuit() bool {
	switch c.Fault {
	case Undercharge, Overcharge, Restriction, Overfeed, NonCondensables, CompressorLeakage, ReversingValve:
		return c.Detail != "bulb_loose"
	}
	return false
}

// AdviceFor returns what is to be done about a cause on a machine with this metering device.
func AdviceFor(c Cause, m Metering) Advice {
	switch c.Detail {
	case "orifice_too_small", "orifice_too_large":
		return Advice{
			"the number on the installed orifice, read against the data plate and the maker's chart",
			[]string{
				"compare outdoor and indoor model numbers with the maker's chart",
				"look up what earlier visits added or took out: charge may hide the wrong bore",
				"recover the charge, open the metering device, read the bore off the part and look for debris",
				"fit what the chart calls for, replace the drier, evacuate and hold as the maker says, weigh in the plate charge",
			},
		}
	case "bulb_loose":
		return Advice{"the bulb's seat: bare metal, strapped tight, insulated, at the maker's clock position",
			[]string{"look at the bulb, its strap and insulation", "warm the bulb in the hand: superheat must fall within a minute", "strap it again and insulate it; watch superheat for half an hour"}}
	case "valve_stuck":
		return Advice{"the valve's answer when its bulb is warmed or cooled (or the controller is told a step)",
			[]string{"warm and cool the bulb, or step the valve by hand, and watch suction pressure", "check the strainer and the drop over the drier", "replace the power element or the valve"}}
	}
	switch c.Fault {
	case Undercharge:
		return Advice{"a leak that is found, and the weight that is recovered against the plate charge",
			[]string{"look for oil at joints, valve stems and the coil", "search for the leak with detector and bubbles; nitrogen if need be", "recover and weigh what is left", "mend the leak, evacuate and hold as the maker says, weigh in the plate charge"}}
	case Overcharge:
		if m == FixedOrifice {
			return Advice{"the bore that is installed, read before any charge is taken out: a bore that is too small invites too much charge",
				[]string{"look up what earlier visits added", "read the installed bore against the data plate", "check the condenser's air and coil", "recover, weigh, and weigh in the plate charge"}}
		}
		return Advice{"the weight that is recovered against the plate charge",
			[]string{"look up what earlier visits added", "check the condenser's air and coil, which look alike", "off and cold: compare the pressure with saturation at the air's temperature (air in the circuit looks alike)", "recover, weigh, and weigh in the plate charge"}}
	case Restriction:
		return Advice{"the temperature drop over drier and strainer while running: more than some 2 K is a restriction",
			[]string{"feel and measure both ends of the drier; look for frost on the liquid line", "check that service valves are fully open", "check strainer and metering device", "replace what is blocked, and the drier with it"}}
	case Overfeed:
		return Advice{"the metering device itself: its size, its bulb, its seat",
			[]string{"check bulb, strap and insulation of a valve", "read the bore or the valve's size against the data plate", "check the superheat setting", "replace the device"}}
	case EvaporatorAirflow:
		return Advice{"the filter and the pressure over fan and coil against the maker's table",
			[]string{"look at the filter", "look at dampers, registers and ice on the coil", "check blower wheel, belt and speed", "measure the external static pressure; clean the coil"}}
	case CondenserAirflow:
		return Advice{"the condenser's face and fan, seen",
			[]string{"look at the coil's face and what stands in front of it", "check the fan's direction, blade, speed and capacitor", "wash the coil from inside out"}}
	case NonCondensables:
		return Advice{"pressure against saturation with the machine off and at the air's temperature: higher means air",
			[]string{"let it stand off with both fans running, then compare pressure and temperature", "recover, evacuate and hold as the maker says, weigh in fresh charge", "replace the drier"}}
	case CompressorLeakage:
		return Advice{"a pump-down: a sound compressor pulls down and holds",
			[]string{"compare current and discharge temperature with the maker's table at these pressures", "check on a heat pump whether the reversing valve passes hot gas", "pump down and watch how the suction pressure comes back", "plan the replacement"}}
	case ReversingValve:
		return Advice{"the temperature of the suction line before and behind the valve: more than some 3 K warmer behind it",
			[]string{"measure both suction pipes at the valve", "switch it over and back", "check the pilot's coil and tubes", "replace the valve"}}
	case DefrostFault:
		return Advice{"a defrost that is watched from start to end",
			[]string{"look at the coil for ice", "check timer, sensor and termination", "check heater or hot gas", "check drain and door seals"}}
	case SensorFault:
		return Advice{"a second instrument beside the sensor",
			[]string{"compare with a calibrated gauge or probe at the same place", "look at the clamp: contact, insulation, place", "check cable and connector", "replace it and tell Dewline, so that the machine's own past stays known"}}
	case Communication:
		return Advice{"the gateway: power, network, clock",
			[]string{"call the site: is there power", "check the gateway's lights and network", "restart it"}}
	}
	return Advice{"another look at the readings", []string{"watch it for another day"}}
}
