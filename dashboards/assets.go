package dashboards

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"
)

// The folder holds the npm parts only where they have been fetched; one ordinary file is always
// there, so that the build does without.
//
//go:embed assets
var assetFiles embed.FS

// The npm parts, by the names of their files.
const (
	htmxFile     = "htmx.min.js"
	uplotFile    = "uPlot.iife.min.js"
	uplotCSSFile = "uPlot.min.css"
)

// kinds are stated here, for what the system's own tables say of .js differs from host to host.
var kinds = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

// assets are the files that pages load, each under a name that holds a digest of its content, so
// that a browser may keep it for ever.
type assets struct {
	byURL map[string]asset  // by the name in the address
	urls  map[string]string // by the plain name

	worker []byte // that of visits, which has an address of its own
}

type asset struct {
	kind       string
	plain, gzd []byte
}

func newAssets(files fs.FS) (*assets, error) {
	a := &assets{byURL: map[string]asset{}, urls: map[string]string{}}
	css, err := stylesheet(files)
	if err != nil {
		return nil, err
	}
	if err := a.add("dewline.css", css); err != nil {
		return nil, err
	}
	for _, name := range []string{"dewline.js", "today.js", "listen.js", "visit.js", "forget.js", "icon.svg"} {
		data, err := fs.ReadFile(files, "assets/"+name)
		if err != nil {
			return nil, fmt.Errorf("read asset %s: %w", name, err)
		}
		if err := a.add(name, data); err != nil {
			return nil, err
		}
	}
	if a.worker, err = fs.ReadFile(files, "assets/visitworker.js"); err != nil {
		return nil, fmt.Errorf("read asset visitworker.js: %w", err)
	}
	for _, name := range []string{htmxFile, uplotFile, uplotCSSFile} {
		data, err := fs.ReadFile(files, "assets/vendor/"+name)
		if err != nil {
			continue // built without the npm parts: pages stand still
		}
		if err := a.add(name, data); err != nil {
			return nil, err
		}
	}
	return a, nil
}

// stylesheet joins the style of the components, one file each, in the order of their names.
func stylesheet(files fs.FS) ([]byte, error) {
	names, err := fs.Glob(files, "assets/css/*.css")
	if err != nil {
		return nil, err
	}
	var all bytes.Buffer
	for _, name := range names {
		data, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, err
		}
		all.Write(data)
	}
	return all.Bytes(), nil
}

func (a *assets) add(name string, data []byte) error {
	sum := sha256.Sum256(data)
	ext := path.Ext(name)
	hashed := strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext
	var small bytes.Buffer
	z, err := gzip.NewWriterLevel(&small, gzip.BestCompression)
	if err != nil {
		return err
	}
	if _, err := z.Write(data); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return err
	}
	a.byURL[hashed] = asset{kinds[ext], data, small.Bytes()}
	a.urls[name] = "/assets/" + hashed
	return nil
}

// url returns the address of a file, "" where it has not been built in.
func (a *assets) url(name string) string { return a.urls[name] }

func (a *assets) serve(w http.ResponseWriter, r *http.Request) {
	file, ok := a.byURL[chi.URLParam(r, "name")]
	if !ok {
		http.Error(w, "no such file: load the page again", http.StatusNotFound)
		return
	}
	h := w.Header()
	h.Set("Content-Type", file.kind)
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	h.Set("Vary", "Accept-Encoding")
	body := file.plain
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		body = file.gzd
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.Write(body)
}
