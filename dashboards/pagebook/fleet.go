package pagebook

import (
	"fmt"
	"time"

	"dewline"
	"dewline/thermo/si"
)

// story is what happens to a machine of the book.
type story int

const (
	well story = iota
	flooding
	starving
	losingCharge
	doubtful
	silent
	learning
	underRepair
	beingProved
	transcritical
	belowZero
	standing
	proved  // repaired, and the readings prove it
	unheard // enrolled, nothing has ever arrived
)

// machine is a system with its story.
type machine struct {
	system dewline.System
	story  story
}

func fitted(accuracyPa float64, more ...dewline.Point) []dewline.PointFitting {
	fit := []dewline.PointFitting{
		{Point: dewline.SuctionPressure, Reference: dewline.Gauge, StatedAccuracy: accuracyPa},
		{Point: dewline.LiquidPressure, Reference: dewline.Gauge},
		{Point: dewline.SuctionTemp, StatedAccuracy: 0.5},
		{Point: dewline.LiquidTemp, StatedAccuracy: 0.5},
		{Point: dewline.OutdoorAirTemp, StatedAccuracy: 0.5},
	}
	for _, p := range more {
		fit = append(fit, dewline.PointFitting{Point: p})
	}
	return fit
}

func lisbon() *time.Location {
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		return time.UTC
	}
	return zone
}

// town returns the owners and sites of the book, and the story of each machine.
func town() ([]dewline.Owner, []dewline.Site, map[dewline.SystemID]story) {
	owners := []dewline.Owner{
		{ID: "city-buildings", Name: "City Buildings"},
		{ID: "quay-foods", Name: "Quay Foods Cooperative"},
		{ID: "lighthouse-clinic", Name: "Lighthouse Clinic"},
	}
	stories := map[dewline.SystemID]story{}
	site := func(id, name, owner, address string, machines ...machine) dewline.Site {
		s := dewline.Site{ID: id, Name: name, Owner: owner, Address: address, Timezone: lisbon(), Altitude: 12}
		for _, m := range machines {
			m.system.ID = dewline.NewSystemID(id, string(m.system.ID))
			stories[m.system.ID] = m.story
			s.Systems = append(s.Systems, m.system)
		}
		return s
	}
	sites := []dewline.Site{
		site("quay-library", "Quay Library", "city-buildings", "4 Quay Street, by the steps",
			machine{dewline.System{ID: "hall-ac", Name: "Reading hall split", Kind: dewline.SplitAC, Model: "WA 105/2", Refrigerant: "R-410A",
				Metering: dewline.FixedOrifice, Capacity: 10_500, Charge: 3.1, Orifice: si.FromMillimetres(1.65), OrificeInstalled: si.FromMillimetres(1.85),
				TargetSubcooling: 5.6, Gateway: "hall-gw", Installer: "North Pier Cooling", Installed: time.Date(2019, 5, 2, 0, 0, 0, 0, time.UTC),
				Importance: dewline.High, Points: fitted(8000, dewline.CompressorOn)}, flooding},
			machine{dewline.System{ID: "archive-ac", Name: "Archive room split", Kind: dewline.SplitAC, Model: "WA 70/3", Refrigerant: "R-32",
				Metering: dewline.EEV, Capacity: 7000, Charge: 1.9, TargetSubcooling: 5, Gateway: "hall-gw",
				Tags: []string{"archive"}, Points: fitted(8000, dewline.CompressorOn)}, well},
			machine{dewline.System{ID: "roof-north", Name: "Packaged unit on the north roof", Kind: dewline.Packaged, Refrigerant: "R-454B",
				Metering: dewline.TXV, Capacity: 17_600, Charge: 4.3, TargetSubcooling: 5.6, TargetSuperheat: 6.7, TargetSuperheatAt: dewline.AtCompressor,
				Gateway: "roof-gw", Installer: "North Pier Cooling", Tags: []string{"roof"}, Points: fitted(8000, dewline.CompressorOn, dewline.DischargeTemp)}, losingCharge}),
		site("cold-store", "Cold Store at the fish quay", "quay-foods", "Fish Quay, hall 2",
			machine{dewline.System{ID: "landing-cooler", Name: "Landing hall walk-in", Kind: dewline.WalkInCooler, Refrigerant: "R-404A",
				Metering: dewline.TXV, Capacity: 8200, Charge: 12, Receiver: true, SpaceLimit: si.FromCelsius(5),
				Importance: dewline.Critical, Tags: []string{"fish", "goods"}, Points: fitted(10_000, dewline.CompressorOn)}, starving},
			machine{dewline.System{ID: "blast-freezer", Name: "Blast freezer", Kind: dewline.WalkInFreezer, Refrigerant: "R-744",
				Metering: dewline.EEV, Capacity: 14_000, TargetSuperheat: 7, TargetSuperheatAt: dewline.AtCoil, SpaceLimit: si.FromCelsius(-28),
				Points: fitted(10_000, dewline.CompressorOn)}, transcritical},
			machine{dewline.System{ID: "shop-case", Name: "Display case in the shop", Kind: dewline.DisplayCase, Refrigerant: "R-290",
				Metering: dewline.Capillary, Charge: 0.148, SpaceLimit: si.FromCelsius(7), Points: fitted(10_000, dewline.CompressorOn)}, doubtful},
			machine{dewline.System{ID: "ice-room", Name: "Ice room", Kind: dewline.WalkInFreezer, Refrigerant: "R-404A",
				Metering: dewline.TXV, Points: fitted(0, dewline.CompressorOn)}, belowZero}),
		site("clinic", "Lighthouse Clinic", "lighthouse-clinic", "1 Lighthouse Road",
			machine{dewline.System{ID: "ward-hp", Name: "Ward heat pump", Kind: dewline.HeatPump, Refrigerant: "R-32",
				Metering: dewline.EEV, Capacity: 12_000, TargetSubcooling: 5, Points: fitted(8000, dewline.CompressorOn)}, silent},
			machine{dewline.System{ID: "lab-ac", Name: "Laboratory split", Kind: dewline.SplitAC, Refrigerant: "R-410A",
				Metering: dewline.TXV, TargetSubcooling: 5.6, Points: fitted(8000, dewline.CompressorOn)}, learning},
			machine{dewline.System{ID: "server-ac", Name: "Server room split", Kind: dewline.SplitAC, Model: "WA 105/2", Refrigerant: "R-410A",
				Metering: dewline.TXV, Charge: 2.6, TargetSubcooling: 5.6, Installer: "North Pier Cooling", Importance: dewline.Critical, Tags: []string{"servers"},
				Points: fitted(8000, dewline.CompressorOn, dewline.DischargeTemp)}, underRepair},
			machine{dewline.System{ID: "kitchen-ac", Name: "Kitchen split", Kind: dewline.SplitAC, Refrigerant: "R-32",
				Metering: dewline.TXV, TargetSubcooling: 5, Points: fitted(8000, dewline.CompressorOn)}, beingProved},
			machine{dewline.System{ID: "chapel-ac", Name: "Chapel split", Kind: dewline.SplitAC, Refrigerant: "R-32",
				Metering: dewline.EEV, TargetSubcooling: 5, Points: fitted(8000, dewline.CompressorOn)}, standing},
			machine{dewline.System{ID: "office-ac", Name: "Office split", Kind: dewline.SplitAC, Model: "WA 70/3", Refrigerant: "R-32",
				Metering: dewline.EEV, Charge: 1.4, TargetSubcooling: 5, Installer: "North Pier Cooling", Points: fitted(8000, dewline.CompressorOn)}, proved},
			machine{dewline.System{ID: "new-ac", Name: "Reception split", Kind: dewline.SplitAC, Refrigerant: "R-32",
				Metering: dewline.EEV, Points: fitted(8000)}, unheard}),
	}
	return owners, sites, stories
}

// crowd returns n machines on sites of ten, most of them well.
func crowd(n int) ([]dewline.Owner, []dewline.Site, map[dewline.SystemID]story) {
	owners := []dewline.Owner{{ID: "harbour", Name: "Harbour Estates"}}
	stories := make(map[dewline.SystemID]story, n)
	var sites []dewline.Site
	for i := range n {
		if i%10 == 0 {
			sites = append(sites, dewline.Site{ID: fmt.Sprintf("site-%05d", i/10), Name: fmt.Sprintf("Warehouse %d", i/10+1), Owner: "harbour", Address: fmt.Sprintf("%d Harbour Road", i/10+1), Timezone: lisbon()})
		}
		site := &sites[len(sites)-1]
		s := dewline.System{ID: dewline.NewSystemID(site.ID, fmt.Sprintf("ac-%d", i%10)), Name: fmt.Sprintf("Split %d", i+1), Kind: dewline.SplitAC,
			Refrigerant: "R-410A", Metering: dewline.TXV, TargetSubcooling: 5.6, Points: fitted(8000, dewline.CompressorOn),
			Model: fmt.Sprintf("WA %d", 20+i%23*5), Installer: fmt.Sprintf("Fitters of pier %d", i%60+1), Tags: []string{fmt.Sprintf("floor %d", i%7)}}
		switch i % 40 {
		case 7:
			stories[s.ID] = flooding
		case 19:
			stories[s.ID] = losingCharge
		default:
			stories[s.ID] = well
		}
		site.Systems = append(site.Systems, s)
	}
	return owners, sites, stories
}
