package view

import (
	"net/url"
	"strings"

	"dewline"
)

var holdWords = map[dewline.HoldKind]dewline.Phrase{
	dewline.HoldMaintenance: "planned work", dewline.HoldCommissioning: "commissioning", dewline.HoldSeasonal: "out of season",
	dewline.HoldPowerCut: "no power", dewline.HoldShelved: "one alert put aside", dewline.HoldSilentSite: "nothing comes from the site",
}

// HoldWord says why notices are held back.
func (u Idiom) HoldWord(k dewline.HoldKind) string { return wordOr(u, holdWords, k) }

// HoldLine is a hold as a list shows it.
type HoldLine struct {
	ID, Kind, Place, Of string
	Href                string // of what is held
	When, Why, By       string
	Say                 string // what it does, and what it does not
	CanEnd              bool   // an alert is taken off its shelf where it stands
	Ended               string // how, of one that is over
}

// NewHoldLine writes a hold. Times are those of the site.
func NewHoldLine(h dewline.Hold, fleet *dewline.Fleet, r Reader) HoldLine {
	line := HoldLine{ID: h.ID, Kind: sentenceWord(r.HoldWord(h.Kind)), Place: h.Site, Of: r.Say("the whole site"), Href: Query{Text: h.Site}.Href(),
		Why: strings.TrimSuffix(strings.TrimSpace(h.Why), "."), By: h.By, CanEnd: h.Kind != dewline.HoldShelved}
	if site, ok := fleet.Site(h.Site); ok {
		line.Place, line.Href = site.Name, Query{Text: site.Name}.Href()
	}
	if h.System != "" {
		line.Of, line.Href = systemName(fleet, h.System), SystemHref(h.System)
	}
	if h.Alert != "" {
		line.Of, line.Href = r.Say("one alert of {1}", line.Of), AlertQuery{State: StateShelved, Site: h.Site}.Href()
	}
	if h.By == dewline.ByDewline {
		line.By = r.Say("Dewline itself")
	}
	line.When = r.Say("from {1} until {2}, {3}", HoldTime(dewline.Millis(h.From), r), HoldTime(dewline.Millis(h.Until), r), r.Zone)
	line.Say = r.Say("Alerts go on being found and kept; only their notices wait.")
	return line
}

// NewEndedHold writes a hold that is over: when it was, and who ended it where it did not end by itself.
func NewEndedHold(h dewline.Hold, fleet *dewline.Fleet, r Reader) HoldLine {
	line := NewHoldLine(h, fleet, r)
	line.CanEnd = false
	if _, ok := fleet.System(h.System); h.System != "" && !ok || h.Alert != "" {
		line.Href = "" // it is enrolled no more, or put aside no more
	}
	switch {
	case h.EndedBy != "" && h.From >= h.Until:
		line.Ended = r.Say("Called off by {1} before it began.", h.EndedBy)
	case h.EndedBy != "":
		line.Ended = r.Say("Ended before its time by {1}.", h.EndedBy)
	default:
		line.Ended = r.Say("It ended by itself.")
	}
	if why := strings.TrimSuffix(strings.TrimSpace(h.EndedWhy), "."); why != "" {
		line.Ended += " " + why + "."
	}
	return line
}

// HoldTime writes an instant of a hold with its day: people plan by the day.
func HoldTime(at dewline.Millis, r Reader) string {
	return r.Time(r.In(at), "Mon 2 Jan 2006 15:04")
}

// HoldHref is the address of the form that holds notices of a system, or with "" of a site, back.
func HoldHref(site string, id dewline.SystemID) string {
	return address("/holds", "site", site, "system", string(id)) + "#new"
}

// End is the address by which the hold is ended before its time.
func (l HoldLine) End() string { return "/holds/" + url.PathEscape(l.ID) + "/end" }

// HoldsHeadline says how much is held.
func (u Idiom) HoldsHeadline(now, planned int) string {
	text := u.Say("No notice is held back")
	if now > 0 {
		text = u.Say("Held now: {1}", Count(int64(now)))
	}
	if planned > 0 {
		text = u.Say("{1}, planned: {2}", text, Count(int64(planned)))
	}
	return text
}

// HoldEnded says that a hold was ended before its time, by whom and when.
func HoldEnded(h dewline.Hold, fleet *dewline.Fleet, r Reader) string {
	line, at := NewHoldLine(h, fleet, r), HoldTime(dewline.Millis(h.Until), r)
	if h.EndedBy == "" {
		return r.Say("{1} at {2}, {3}, had ended by itself at {4}.", line.Kind, line.Place, line.Of, at)
	}
	return r.Say("{1} at {2}, {3}, was ended by {5} at {4}. Nothing waits because of it any more.", line.Kind, line.Place, line.Of, at, h.EndedBy)
}
