package sqlstore

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"
)

//go:embed migrations
var migrations embed.FS

// provider knows the migrations.
func (d *dialect) provider(db *sql.DB) (*goose.Provider, error) {
	files, err := fs.Sub(migrations, d.migrations)
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(d.goose, db, files, goose.WithDisableGlobalRegistry(true))
}

// migrate brings the database up to this program's version, and refuses one that is ahead of it.
func (d *dialect) migrate(ctx context.Context, db *sql.DB) error {
	provider, err := d.provider(db)
	if err != nil {
		return err
	}
	current, newest, err := provider.GetVersions(ctx)
	if err != nil {
		return err
	}
	if current > newest {
		return versionError(current, newest)
	}
	// When two processes start on a new SQLite database at once, one of them finds the tables made by
	// the other, which is as good.
	_, err = provider.Up(ctx)
	for range 3 {
		if err == nil || ctx.Err() != nil {
			return err
		}
		var again error
		if _, again = provider.Up(ctx); again == nil {
			return nil
		}
		err = errors.Join(err, again)
	}
	return err
}

func versionError(current, newest int64) error {
	return fmt.Errorf("its version %d is of a later program, this one knows up to %d: use the later program, or restore a backup made before the change", current, newest)
}

// newestVersion returns the last migration's number.
func (d *dialect) newestVersion() (int64, error) {
	entries, err := migrations.ReadDir(d.migrations)
	if err != nil || len(entries) == 0 {
		return 0, errors.Join(err, errors.New("no migrations"))
	}
	return goose.NumericComponent(entries[len(entries)-1].Name())
}
