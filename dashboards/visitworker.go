package dashboards

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"maps"
	"net/http"
	"slices"
)

// visitWorker answers with the script that keeps pages of calls and visits for when there is no signal. It
// can do so for addresses below its own, and is told which files belong to the pages.
func (s *server) visitWorker(w http.ResponseWriter, r *http.Request) {
	files, err := json.Marshal(slices.Sorted(maps.Values(s.assets.urls)))
	if err != nil {
		panic(err)
	}
	sum := sha256.Sum256(files)
	h := w.Header()
	h.Set("Content-Type", kinds[".js"])
	h.Set("Cache-Control", "no-cache")
	h.Set("Service-Worker-Allowed", "/calls") // the list beside its own folder
	w.Write([]byte("const files = " + string(files) + ", version = \"" + hex.EncodeToString(sum[:6]) + "\";\n"))
	w.Write(s.assets.worker)
}
