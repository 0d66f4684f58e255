package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"dewline/alerts/sqlstore"
)

func databasePath(data string) string { return filepath.Join(data, "dewline.db") }

// addressPath is the file that says where the database of a data folder is when it is not in the
// folder, so that the commands beside the service find it without the settings.
func addressPath(data string) string { return filepath.Join(data, "database") }

// openDatabase opens the relational database of a data folder.
func openDatabase(ctx context.Context, data string, o sqlstore.Options) (*sqlstore.Store, error) {
	address, err := databaseAddress(data)
	if err != nil {
		return nil, err
	}
	if address == "" {
		address = databasePath(data)
	}
	return sqlstore.Open(ctx, address, o)
}

// databaseAddress returns "" for a database in the folder.
func databaseAddress(data string) (string, error) {
	text, err := os.ReadFile(addressPath(data))
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	return strings.TrimSpace(string(text)), err
}

// settleDatabase holds a data folder to the database of the settings. It never goes on with an empty
// one where there was another: that would forget alerts and credentials.
func settleDatabase(data, address string) error {
	before, err := databaseAddress(data)
	if err != nil || address == before {
		return err
	}
	if address == "" {
		return fmt.Errorf("the database of %s is elsewhere, as its file %s says, and the settings name none: name it there, or remove the file to begin with an empty one in the folder", data, filepath.Base(addressPath(data)))
	}
	if _, err := os.Stat(databasePath(data)); err == nil {
		return fmt.Errorf("%s has a database of its own, and the settings name another: move %s away to begin with that, or take `database` out of the settings", data, databasePath(data))
	}
	return os.WriteFile(addressPath(data), []byte(address+"\n"), 0o600) // it may have a password
}
