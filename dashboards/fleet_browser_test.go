package dashboards_test

import (
	"testing"

	"dewline/dashboards/pagebook"
)

// TestFleetInBrowser: a dispatcher asks what machines of one installer have in common, and from there for
// those machines; and where it is worst.
func TestFleetInBrowser(t *testing.T) {
	parent := browser(t)
	base := serve(t, optionsFor(pagebook.Town(noon)))
	for _, v := range views {
		t.Run(v.name, func(t *testing.T) {
			ctx, w := v.tab(t, parent)
			open(t, ctx, base+"/fleet")
			follow(t, ctx, `a[href="/fleet?by=installer"]`)
			arrives(t, ctx, `[...document.querySelectorAll(".patterns .share")].some(a => a.textContent.startsWith("2 of 4: too little charge"))`)
			v.look(t, ctx, "fleet-task-installer")
			follow(t, ctx, `.patterns .share[href*="fault=undercharge"]`)
			arrives(t, ctx, `location.search === "?installer=North+Pier+Cooling&fault=undercharge&by=installer" && document.querySelectorAll(".row").length === 2`)
			v.look(t, ctx, "fleet-task-same")
			open(t, ctx, base+"/fleet?by=worst")
			arrives(t, ctx, `document.querySelector(".site a").textContent === "Quay Library"`)
			follow(t, ctx, `.site a[href="/fleet?site=clinic&by=worst"]`)
			arrives(t, ctx, `document.querySelectorAll(".row").length === 7 && document.querySelectorAll(".site").length === 1`)
			v.look(t, ctx, "fleet-task-site")
			w.check(t, base)
		})
	}
}
