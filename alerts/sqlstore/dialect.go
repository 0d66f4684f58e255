package sqlstore

import (
	"context"
	"database/sql"
	"strings"

	"github.com/pressly/goose/v3"
)

// dialect is what differs between the databases. Statements are the same for both: what only one of
// them takes is not used.
type dialect struct {
	goose      goose.Dialect
	migrations string // their folder

	// open returns connections for reading and for writing.
	open func(place string, o Options) (reader, writer *sql.DB, err error)

	// turn reads the epoch when it is this transaction's turn to write.
	turn string

	// lock and unlock keep others from changing the tables at the same time; "" where each change
	// does so itself.
	lock, unlock string

	// rowsAtOnce is how many rows an INSERT takes: a server is far away, so that each call counts.
	rowsAtOnce int

	// halfCommitted says that a commit that failed may leave its transaction open.
	halfCommitted bool
}

// dialectOf returns the dialect of the database at a place: an address, or the path of a file.
func dialectOf(place string) *dialect {
	if strings.HasPrefix(place, "postgres://") || strings.HasPrefix(place, "postgresql://") {
		return &postgresDialect
	}
	return &sqliteDialect
}

// Transactions that read see one state of the database. Those that write see, with each statement,
// all that was committed before their turn, because nobody else writes during it. SQLite knows no
// other way.
var (
	reading = sql.TxOptions{ReadOnly: true, Isolation: sql.LevelRepeatableRead}
	writing = sql.TxOptions{Isolation: sql.LevelReadCommitted}
)

// alone runs f while no other process changes the tables.
func (d *dialect) alone(ctx context.Context, db *sql.DB, f func() error) error {
	if d.lock == "" {
		return f()
	}
	conn, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }()
	if _, err := conn.ExecContext(ctx, d.lock); err != nil {
		return err
	}
	defer func() { _, _ = conn.ExecContext(context.WithoutCancel(ctx), d.unlock) }()
	return f()
}
