package dashboards

import (
	"io/fs"
	"net/http"
	"testing/fstest"

	"dewline/dashboards/words"
)

// NewStill is New without the npm parts, whether or not they are built in.
func NewStill(o Options) (http.Handler, error) {
	still := fstest.MapFS{}
	err := fs.WalkDir(assetFiles, "assets", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			if name == "assets/vendor" {
				return fs.SkipDir
			}
			return err
		}
		data, err := assetFiles.ReadFile(name)
		still[name] = &fstest.MapFile{Data: data}
		return err
	})
	if err != nil {
		return nil, err
	}
	return newWith(o, still, []*words.Language{words.Source})
}

// NewIn is New in one language.
func NewIn(o Options, l *words.Language) (http.Handler, error) {
	return newWith(o, assetFiles, []*words.Language{l})
}
