package sqlstore

import (
	"database/sql"
	"fmt"
	"net/url"
	"path/filepath"

	"github.com/pressly/goose/v3"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

var sqliteDialect = dialect{
	goose: goose.DialectSQLite3, migrations: "migrations/sqlite",
	open:          openSQLite,
	turn:          `SELECT epoch FROM store_info`, // BEGIN IMMEDIATE has waited for it
	rowsAtOnce:    1,
	halfCommitted: true,
}

func openSQLite(path string, o Options) (reader, writer *sql.DB, err error) {
	writer, err = sql.Open("sqlite", sqliteDSN(path, o, true))
	if err != nil {
		return nil, nil, err
	}
	reader, err = sql.Open("sqlite", sqliteDSN(path, o, false))
	return reader, writer, err
}

// sqliteDSN returns how the driver is to open the database. The pragmas run in this order: the wait
// comes before anything that may have to wait, and the kind of vacuum before the change to WAL,
// which writes the file and so fixes it.
func sqliteDSN(path string, o Options, write bool) string {
	pragmas := []string{"busy_timeout(10000)", "foreign_keys(1)"}
	query := url.Values{}
	if write {
		synchronous := "synchronous(normal)"
		if o.FullSync {
			synchronous = "synchronous(full)"
		}
		pragmas = append(pragmas,
			"auto_vacuum(incremental)", // see Shrink
			"journal_mode(wal)",
			"journal_size_limit(67108864)", // bytes of the log that stay allocated after a great write
			"cache_size(-16000)",           // KiB
			synchronous)
		query.Set("_txlock", "immediate")
	} else {
		pragmas = append(pragmas, "query_only(1)")
	}
	query["_pragma"] = pragmas
	return fileURI(path) + "?" + query.Encode()
}

// fileURI escapes what means something in a URI. An absolute path keeps it from being taken for a
// host.
func fileURI(path string) string {
	if absolute, err := filepath.Abs(path); err == nil {
		path = absolute
	}
	return "file:" + (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath()
}

// adviseSQLite says whether the same may succeed later, and adds what to do.
func adviseSQLite(cause *sqlite.Error) (retry bool, advised error) {
	switch cause.Code() & 0xff { // the primary code; the rest says more
	case sqlite3.SQLITE_FULL:
		return true, fmt.Errorf("the disk is full: make room, or shorten what is kept: %w", cause)
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return true, fmt.Errorf("another process is writing for long: try again when it has finished: %w", cause)
	case sqlite3.SQLITE_IOERR, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_INTERRUPT:
		return true, cause
	case sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_AUTH:
		return false, fmt.Errorf("see that the folder exists and that this user may write there: %w", cause)
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return false, fmt.Errorf("the file is damaged or no database: restore a backup: %w", cause)
	}
	return false, cause
}
