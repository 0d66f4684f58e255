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

// TestEnrolLists: tags and the compressor's map come by the form, and go where it leaves them out.
func TestEnrolLists(t *testing.T) {
	f := harbour(t)
	form := newForm()
	form["system.model"], form["site.address"] = "AX 35 / b", "3 Mill Lane, second yard"
	form["system.tags"] = "roof\r\n\r\n after hours, by key \n"
	form["system.compressor.map.mass_flow"] = "0.02 1e-3\t-2e-5\n0 0 0 0 0 0 0"
	form["system.compressor.map.rated_return_gas"] = "65 degF"
	text, problems := f.Enrol(form, "", facts{})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	g := read(t, string(text), facts{})
	s, _ := g.System("mill-lane/oven-ac")
	site, _ := g.Site("mill-lane")
	if !reflect.DeepEqual(s.Tags, []string{"roof", "after hours, by key"}) || s.Model != "AX 35 / b" || site.Address != "3 Mill Lane, second yard" {
		t.Errorf("%q %q %q", s.Tags, s.Model, site.Address)
	}
	if m := s.CompressorMap; m == nil || m.MassFlow != (dewline.MapPolynomial{0.02, 1e-3, -2e-5}) || m.Power.Stated() || m.RatedReturnGas < 291 || m.RatedReturnGas > 292 {
		t.Errorf("the map is %+v", m)
	}
	for key := range form {
		if strings.HasPrefix(key, "system.compressor") || key == "system.tags" {
			delete(form, key)
		}
	}
	text, problems = g.Enrol(form, s.ID, facts{})
	if again, _ := read(t, string(text), facts{}).System(s.ID); len(problems) > 0 || again.Tags != nil || again.CompressorMap != nil {
		t.Errorf("%v: tags and map stayed: %+v", problems, again)
	}
}

func TestChangeSite(t *testing.T) {
	f := harbour(t)
	for i := range f.Sites { // as it is, it stays
		site := &f.Sites[i]
		text, problems := f.ChangeSite(dewline.SiteForm(site), site.ID, facts{})
		if again := read(t, string(text), facts{}); len(problems) > 0 || !reflect.DeepEqual(f, again) {
			t.Errorf("%s: another fleet, %v", site.ID, problems)
		}
	}
	site, _ := f.Site("quay-library")
	change := func(pairs ...string) ([]byte, dewline.FormProblems) {
		form := dewline.SiteForm(site)
		for i := 0; i < len(pairs); i += 2 {
			form[pairs[i]] = pairs[i+1]
		}
		return f.ChangeSite(form, "quay-library", facts{})
	}
	text, problems := change("site.name", "Library", "site.address", "1 Quay", "owner.name", "Friends of the Library", "site.timezone", "Europe/Madrid", "site.altitude", "100 ft", "site.id", "another")
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	g := read(t, string(text), facts{})
	now, _ := g.Site("quay-library")
	if now.Name != "Library" || now.Address != "1 Quay" || now.Owner != "friends-of-the-library" || now.Timezone.String() != "Europe/Madrid" || now.Altitude < 30.4 || now.Altitude > 30.5 {
		t.Errorf("changed: %+v", now)
	}
	if len(now.Systems) != len(site.Systems) || !reflect.DeepEqual(now.Systems[0], site.Systems[0]) || site.Name == "Library" {
		t.Error("its systems are others, or the fleet that was there was changed")
	}
	for key, c := range map[string][2]string{
		"site.altitude": {"", "missing"}, "site.timezone": {"Nowhere/Town", "time zone"}, "site.owner": {"nobody", "unknown owner"},
		"site.name": {"a\nb", "line break"}, "owner.name": {"!!", "id"}, "site.x": {"y", "unknown"},
	} {
		if text, problems := change(key, c[0]); text != nil || !strings.Contains(problems[key], c[1]) {
			t.Errorf("%s: %v, want %s", key, problems, c[1])
		}
	}
	if _, problems := f.ChangeSite(dewline.FleetForm{}, "gone", facts{}); len(problems) == 0 {
		t.Error("a site that is not there was changed")
	}
}

func TestWithout(t *testing.T) {
	f := harbour(t)
	g := f.Without("quay-library/hall-ac")
	if _, there := g.System("quay-library/hall-ac"); there || len(g.Systems()) != len(f.Systems())-1 {
		t.Error("the system is still there, or another is gone")
	}
	if _, there := f.System("quay-library/hall-ac"); !there || len(g.Sites) != len(f.Sites) {
		t.Error("the fleet that was there was changed, or the site is gone")
	}
	if h := g.WithoutSite("quay-library"); len(h.Sites) != len(f.Sites)-1 {
		t.Error("the site is still there")
	}
	text, err := g.Marshal()
	if again := read(t, string(text), facts{}); err != nil || !reflect.DeepEqual(g, again) {
		t.Error("what is left is no fleet file", err)
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
		"a tag twice":           {dewline.FleetForm{"system.tags": "roof\n\n roof "}, "system.tags", "listed twice"},
		"a tag unseen":          {dewline.FleetForm{"system.tags": "a\u202e"}, "system.tags", "cannot be seen"},
		"nine coefficients":     {dewline.FleetForm{"system.compressor.map.power": "1 2 3 4 5 6 7 8 9", "system.compressor.map.rated_superheat": "10 K"}, "system.compressor.map.power", "found 9"},
		"no coefficient":        {dewline.FleetForm{"system.compressor.map.mass_flow": "1\n2\n3,5\n4\n5\n6\n7\n8\n9\n10", "system.compressor.map.rated_superheat": "10 K"}, "system.compressor.map.mass_flow", "C3"},
		"half a map":            {dewline.FleetForm{"system.compressor.map.rated_superheat": "10 K"}, "system.compressor.map", "neither"},
		"two states of a map":   {dewline.FleetForm{"system.compressor.map.power": "1 0 0 0 0 0 0 0 0 0"}, "system.compressor.map", "either"},
		"keys below a list":     {dewline.FleetForm{"system.tags.a": "c"}, "system.tags", "list"},
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
