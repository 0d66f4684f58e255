package dewline_test

import (
	"maps"
	"reflect"
	"strings"
	"testing"

	"dewline"
)

// TestFormOf: what a form says of each system of a fleet changes nothing when it comes back.
func TestFormOf(t *testing.T) {
	f := harbour(t)
	for _, s := range f.Systems() {
		site, _ := f.Site(s.ID.Site())
		text, problems := f.Enrol(dewline.FormOf(site, s), s.ID, facts{})
		if len(problems) > 0 {
			t.Errorf("%s: %v", s.ID, problems)
			continue
		}
		if again := read(t, string(text), facts{}); !reflect.DeepEqual(f, again) {
			t.Errorf("%s: the fleet is another after its form came back", s.ID)
		}
	}
}

func newForm() dewline.FleetForm {
	form := dewline.FleetForm{
		"site.id": "mill-lane", "site.name": "Mill Lane", "site.timezone": "Europe/Lisbon", "site.altitude": "40 ft", "owner.name": "Mill Lane Bakers",
		"system.id": "oven-ac", "system.kind": "split_ac", "system.refrigerant": "r410a", "system.metering": "txv", "system.charge": "6.8 lb",
		"system.points.suction_temp.accuracy": " 0.5 K ", "system.points.suction_temp.sampling.interval": "60 s",
	}
	for _, p := range []dewline.Point{dewline.SuctionPressure, dewline.LiquidPressure, dewline.SuctionTemp, dewline.LiquidTemp} {
		form[dewline.FormPoint(p)] = "on"
	}
	return form
}

func TestEnrol(t *testing.T) {
	f := harbour(t)
	text, problems := f.Enrol(newForm(), "", facts{})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	g := read(t, string(text), facts{})
	s, ok := g.System("mill-lane/oven-ac")
	if !ok || s.Refrigerant != "R-410A" || s.Fitting(dewline.SuctionTemp).StatedAccuracy != 0.5 || len(g.Systems()) != len(f.Systems())+1 {
		t.Errorf("enrolled: %+v", s)
	}
	if site, _ := g.Site("mill-lane"); site.Owner != "mill-lane-bakers" || g.Owners[len(g.Owners)-1].Name != "Mill Lane Bakers" {
		t.Errorf("the owner is %q", site.Owner)
	}
	if len(f.Sites) != len(g.Sites)-1 {
		t.Error("the fleet that was there was changed")
	}
}

func TestEnrolSaysWhatIsWrong(t *testing.T) {
	f := harbour(t)
	for name, c := range map[string]struct {
		change dewline.FleetForm
		key    string
		says   string
	}{
		"nothing stated":        {dewline.FleetForm{"system.kind": ""}, "system.kind", "missing"},
		"unknown refrigerant":   {dewline.FleetForm{"system.refrigerant": "R-401O"}, "system.refrigerant", "did you mean"},
		"no unit":               {dewline.FleetForm{"system.charge": "3.1"}, "system.charge", ""},
		"accuracy":              {dewline.FleetForm{"system.points.suction_temp.accuracy": "5 kPa"}, "system.points.suction_temp.accuracy", ""},
		"interval":              {dewline.FleetForm{"system.points.suction_temp.sampling.interval": "0 s"}, "system.points.suction_temp.sampling.interval", "impossible"},
		"point missing":         {dewline.FleetForm{dewline.FormPoint(dewline.SuctionTemp): ""}, "system.points.suction_temp", "missing"},
		"no high side":          {dewline.FleetForm{dewline.FormPoint(dewline.LiquidPressure): ""}, "system.points.liquid_pressure", "missing"},
		"altitude missing":      {dewline.FleetForm{"site.altitude": ""}, "site.altitude", "missing"},
		"time zone":             {dewline.FleetForm{"site.timezone": "Local"}, "site.timezone", "no time zone"},
		"no owner":              {dewline.FleetForm{"owner.name": ""}, "site.owner", "missing"},
		"an owner that is none": {dewline.FleetForm{"owner.name": "", "site.owner": "nobody"}, "site.owner", "unknown owner"},
		"an owner without id":   {dewline.FleetForm{"owner.name": "!!"}, "owner.name", "id"},
		"an owner twice":        {dewline.FleetForm{"owner.name": "city buildings"}, "owner.name", "choose"},
		"site id":               {dewline.FleetForm{"site.id": "../etc"}, "site.id", "no id"},
		"no site":               {dewline.FleetForm{"site.id": ""}, "site.id", "missing"},
		"taken":                 {dewline.FleetForm{"site.id": "cold-store", "system.id": "shop-case"}, "system.id", "choose another"},
		"which gateway":         {dewline.FleetForm{"site.id": "quay-library"}, "system.gateway", "several"},
		"target of an orifice":  {dewline.FleetForm{"system.metering": "capillary", "system.target_superheat": "5 K"}, "system.target_superheat", "no constant"},
		"two lines":             {dewline.FleetForm{"system.name": "a\nsystems: []"}, "system.name", "line break"},
		"a key of their own":    {dewline.FleetForm{"system.points.serviced": "on"}, "system.points.serviced", "not fitted"},
		"an unknown key":        {dewline.FleetForm{"system.x: y": "z"}, `system.x: y."x: y"`, "unknown"},
		"a value for a list":    {dewline.FleetForm{"system.tags": "a"}, "system.tags", "list"},
		"keys below a value":    {dewline.FleetForm{"system.charge.a.b": "c"}, "system.charge", "one value"},
	} {
		form := newForm()
		maps.Copy(form, c.change)
		text, problems := f.Enrol(form, "", facts{})
		if problem, ok := problems[c.key]; !ok || !strings.Contains(problem, c.says) || text != nil && len(problems) == 0 {
			t.Errorf("%s: %v, want %s: %s", name, problems, c.key, c.says)
		}
	}
	if _, problems := f.Enrol(newForm(), "cold-store/gone", facts{}); len(problems) == 0 {
		t.Error("a system that is not there was changed")
	}
}
