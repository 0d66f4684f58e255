package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"image"
	"image/png"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"dewline"
)

// visitor is a technician's browser without scripts, at a service.
type visitor struct {
	*testing.T
	client *http.Client
	base   string
}

func (v *visitor) get(path string) string {
	v.Helper()
	answer, err := v.client.Get(v.base + path)
	if err != nil {
		v.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		v.Fatalf("GET %s: %s %v %.300s", path, answer.Status, err, body)
	}
	return string(body)
}

// post sends a form, with a photo where there is one, and returns the page that it leads to.
func (v *visitor) post(path string, form url.Values, photo []byte) (int, string) {
	v.Helper()
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	for name, values := range form {
		for _, value := range values {
			if err := m.WriteField(name, value); err != nil {
				v.Fatal(err)
			}
		}
	}
	if photo != nil {
		w, err := m.CreateFormFile("picture", "plate.jpg")
		if err == nil {
			_, err = w.Write(photo)
		}
		if err != nil {
			v.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		v.Fatal(err)
	}
	kind := m.FormDataContentType()
	if photo == nil && form.Get("revision") == "" { // a form that takes no files
		body = *bytes.NewBufferString(form.Encode())
		kind = "application/x-www-form-urlencoded"
	}
	answer, err := v.client.Post(v.base+path, kind, &body)
	if err != nil {
		v.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		v.Fatal(err)
	}
	return answer.StatusCode, string(text)
}

func smallPicture(t *testing.T) []byte {
	t.Helper()
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 9, 9))); err != nil {
		t.Fatal(err)
	}
	return picture.Bytes()
}

var hiddenField = regexp.MustCompile(`<input type="hidden" name="(id|revision|units|photo\.digest|photo\.type|photo\.bytes)" value="([^"]*)"`)

func (v *visitor) form(page string) url.Values {
	v.Helper()
	form := url.Values{}
	for _, m := range hiddenField.FindAllStringSubmatch(page, -1) {
		if m[2] != "" {
			form.Add(m[1], html.UnescapeString(m[2]))
		}
	}
	if form.Get("id") == "" {
		v.Fatalf("no form on the page: %.500s", page)
	}
	return form
}

// TestVisitByPages: a service call, from its making to the proof, by the pages of the real service: what a
// technician types and photographs is kept, closed and handed out, and nothing of where a photo was taken.
func TestVisitByPages(t *testing.T) {
	fleet, err := dewline.ReadFleet("repair.yaml", []byte(repairFleet), refrigerants{})
	if err != nil {
		t.Fatal(err)
	}
	s := startTestService(t, serviceOptions{Fleet: fleet})
	now := dewline.MillisOf(time.Now())
	alert := dewline.Alert{ID: dewline.AlertID("quay/hall", dewline.Overfeed, now-3_600_000), Site: "quay", System: "quay/hall", Systems: []dewline.SystemID{"quay/hall"},
		Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding}, Severity: dewline.Urgent, State: dewline.AlertOpen, Onset: now - 3_600_000, Detected: now - 1_800_000,
		Causes: []dewline.Cause{{Fault: dewline.Overfeed, Detail: "orifice_too_large", Probability: 0.8}, {Fault: dewline.NoFault, Probability: 0.2}}}
	err = s.relational.SaveProgress(t.Context(), dewline.Progress{Version: 1, Alerts: []dewline.AlertChange{{Change: dewline.Change{By: dewline.ByDewline, At: now, Why: "superheat too low"}, Alert: alert}}})
	if err != nil {
		t.Fatal(err)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	v := &visitor{t, &http.Client{Jar: jar}, "http://" + s.HTTPAddr()}

	if status, body := v.post("/alerts", url.Values{"do": {"call"}, "id": {alert.ID}, "by": {"J. Marinho"}, "back": {"/calls"}}, nil); status != http.StatusOK || !strings.Contains(body, "1 service call.") {
		t.Fatalf("a call is made: %d %.500s", status, body)
	}
	calls, err := s.desks.calls.CallsIn(t.Context(), dewline.CallFilter{})
	if err != nil || len(calls) != 1 {
		t.Fatalf("%d calls, %v", len(calls), err)
	}
	call := "/calls/" + calls[0].ID
	for _, form := range []url.Values{{"do": {"assign"}, "technician": {"T. Salgado"}, "by": {"J. Marinho"}}, {"do": {"on_site"}, "by": {"T. Salgado"}}} {
		if status, body := v.post(call, form, nil); status != http.StatusOK || strings.Contains(body, "This was not done") {
			t.Fatalf("%v: %d %.500s", form, status, body)
		}
	}

	// What has just been read is shown at once, while analytics still waits for what may come late. R-410A has
	// its dew point at 4.4 °C at 118 psi gauge (a maker's table), so 9.4 °C is 5.0 K of superheat.
	visit := call + "/visit/quay/hall"
	var batch []dewline.Sample
	for point, value := range map[dewline.Point]float64{dewline.SuctionPressure: 118 * 6894.757, dewline.SuctionTemp: 9.4, dewline.LiquidPressure: 2_400_000, dewline.LiquidTemp: 34, dewline.CompressorOn: 1} {
		batch = append(batch, dewline.Sample{System: "quay/hall", Point: point, At: dewline.MillisOf(time.Now().Add(-20 * time.Second)), Value: value})
	}
	if _, err := s.running.Load().readings.Append(t.Context(), batch, nil); err != nil {
		t.Fatal(err)
	}
	live := v.get(visit + "/live")
	value := regexp.MustCompile(`<p class="value">([\d.]+)<`).FindStringSubmatch(live)
	if value == nil || (value[1] != "4.9" && value[1] != "5.0" && value[1] != "5.1") || !strings.Contains(live, "suction pressure: 814\u00a0kPa gauge") || !strings.Contains(live, "Running, not steady yet.") {
		t.Errorf("superheat %q of 5.0 K: %s", value, live)
	}
	picture, err := os.ReadFile("../../testdata/photo-with-place.jpg")
	if err != nil || !bytes.Contains(picture, []byte("Secret Maker")) {
		t.Fatalf("the photo with a place: %v", err)
	}
	local := func(minutes int) string {
		return time.Now().UTC().Add(time.Duration(minutes) * time.Minute).Format("2006-01-02T15:04:05")
	}
	form := v.form(v.get(visit))
	form.Set("technician", "T. Salgado")
	form.Set("started", local(-90))
	form.Set("found", "overfeed orifice_too_large")
	form["reading.point"], form["reading.found"], form["reading.left"] = []string{"suction_pressure", "liquid_pressure"}, []string{"1100", "2600"}, []string{"905", "2440"}
	form["weigh.refrigerant"], form["weigh.in"], form["weigh.out"], form["weigh.phase"], form["weigh.cylinder"] = []string{"R-410A", "R-410A"}, []string{"", "3.1"}, []string{"3,02", ""}, []string{"gas", "liquid"}, []string{"C 12", "C 14"}
	form["vacuum.pressure"], form["vacuum.at"] = []string{"60", "80"}, []string{local(-40), local(-15)}
	form.Set("vacuum_isolated", local(-35))
	form.Set("do", "close")
	status, body := v.post(visit, form, picture)
	if status != http.StatusUnprocessableEntity {
		t.Fatalf("closed too soon: %d %.500s", status, body)
	}
	for _, lack := range []string{"Certificate: the number of the certificate", "Parts: the bore that was in it", "Evacuation: no limits are entered"} {
		if !strings.Contains(body, lack) {
			t.Errorf("it does not say %q is missing", lack)
		}
	}
	again := v.form(body)
	if again.Get("photo.digest") == "" {
		t.Fatal("the photo is gone from the form")
	}
	for name, values := range form {
		if again.Get(name) == "" {
			again[name] = values
		}
	}
	again.Set("certification", "HC-20417")
	leftOut, err := s.desks.photos.KeepPhoto(t.Context(), form.Get("id"), smallPicture(t))
	if err != nil {
		t.Fatal(err)
	}
	for name, more := range map[string][]string{"digest": {leftOut.Digest, strings.Repeat("a", 64)}, "type": {leftOut.Type, "image/jpeg"}, "bytes": {"1", "1"}} {
		again["photo."+name] = append(again["photo."+name], more...)
	}
	again["photo.note"], again["photo.drop"] = []string{"Bore as found", "", ""}, []string{"", "1", ""}
	again["part.part"], again["part.bore_was"], again["part.bore_now"] = []string{"orifice"}, []string{"1.9"}, []string{"1.65"}
	again.Set("vacuum_reach", "67")
	again.Set("vacuum_hold", "20")
	again.Set("vacuum_over", "133")
	again.Set("vacuum_source", "maker's instructions, page 14")
	if status, body = v.post(visit, again, nil); status != http.StatusUnprocessableEntity || !strings.Contains(body, "Photos: photo 2 has not arrived") {
		t.Fatalf("closed with a photo that is not there: %d %.900s", status, body)
	}
	again.Set("revision", v.form(body).Get("revision"))
	again["photo.drop"] = []string{"", "1", "1"}
	if status, body = v.post(visit, again, nil); status != http.StatusOK || !strings.Contains(body, "This visit is closed") {
		t.Fatalf("closing: %d %.900s", status, body)
	}
	for _, want := range []string{"The vacuum held: 60\u00a0Pa reached, 80\u00a0Pa after", "3.10\u00a0kg R-410A in, as liquid, cylinder C 14", "Net 0.080\u00a0kg in.", "bore 1.90\u00a0mm was in it, 1.65\u00a0mm is now", "being proved", "Bore as found"} {
		if !strings.Contains(body, want) {
			t.Errorf("the closed visit does not say %q", want)
		}
	}

	if _, err := s.desks.photos.PhotoOf(t.Context(), form.Get("id"), leftOut.Digest, false); dewline.CodeOf(err) != dewline.NotFound {
		t.Errorf("a photo that was left out is still kept: %v", err)
	}

	// The photo stands upright, 40 by 80 of what was stored as 80 by 40, and knows no place.
	small := regexp.MustCompile(`src="(/api/v1/visits/[^"]+)\?size=small"`).FindStringSubmatch(body)
	if small == nil {
		t.Fatal("the closed visit shows no photo")
	}
	kept := v.get(html.UnescapeString(small[1]))
	for _, word := range []string{"Exif", "Secret", "GPS", "comment"} {
		if strings.Contains(kept, word) {
			t.Errorf("the photo still holds %q", word)
		}
	}
	pack := v.get(fmt.Sprintf("/api/v1/service-calls/%s/closing-pack.pdf", calls[0].ID))
	if !strings.HasPrefix(pack, "%PDF") || !strings.Contains(pack, "/Subtype /Image") {
		t.Error("the closing pack has no photo")
	}
	var told struct {
		Call struct{ State dewline.CallState }
	}
	if err := json.Unmarshal([]byte(v.get("/api/v1/service-calls/"+calls[0].ID)), &told); err != nil || told.Call.State != dewline.CallDone {
		t.Errorf("the call is %q, %v", told.Call.State, err)
	}
}
