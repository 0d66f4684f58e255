package sqlstore

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net"

	"dewline"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
)

var postgresDialect = dialect{
	goose: goose.DialectPostgres, migrations: "migrations/postgres",
	open: openPostgres,
	// The row is locked until the transaction ends, also if the process dies, and whoever waited for
	// it sees all that was committed meanwhile.
	turn:   `SELECT epoch FROM store_info FOR UPDATE`,
	lock:   `SELECT pg_advisory_lock(hashtext('dewline'), hashtext(current_schema()))`,
	unlock: `SELECT pg_advisory_unlock(hashtext('dewline'), hashtext(current_schema()))`,

	rowsAtOnce: 250,
}

func openPostgres(address string, _ Options) (reader, writer *sql.DB, err error) {
	config, err := pgx.ParseConfig(address)
	if err != nil {
		return nil, nil, err
	}
	for name, value := range map[string]string{
		"application_name": "dewline",
		// As long as with SQLite. Nobody holds the turn for long, unless his machine stands still.
		"lock_timeout": "10s",
		// A machine that lost its power cannot say that it does not hold the turn any more.
		"tcp_keepalives_idle": "30", "tcp_keepalives_interval": "10", "tcp_keepalives_count": "3",
	} {
		if config.RuntimeParams[name] == "" {
			config.RuntimeParams[name] = value
		}
	}
	check := stdlib.OptionAfterConnect(func(_ context.Context, conn *pgx.Conn) error {
		if encoding := conn.PgConn().ParameterStatus("server_encoding"); encoding != "UTF8" {
			return fmt.Errorf("its encoding is %s: make a database with the encoding UTF8", encoding)
		}
		return nil
	})
	return stdlib.OpenDB(*config, check), stdlib.OpenDB(*config, check), nil
}

// advisePostgres says what kind of failure err is, whether the same may succeed later, and adds what
// to do. The codes are those of PostgreSQL's manual, appendix A.
func advisePostgres(err error) (code dewline.Code, retry bool, advised error) {
	code = dewline.Unavailable
	cause, ok := errors.AsType[*pgconn.PgError](err)
	if !ok {
		return code, connectionLost(err), err
	}
	switch cause.Code {
	case "22021", "54000": // text that is no UTF-8 or has a NUL; a key that an index has no room for
		return dewline.Invalid, false, fmt.Errorf("text that cannot be kept: %w", cause)
	case "53100":
		return code, true, fmt.Errorf("the disk of the database is full: make room, or shorten what is kept: %w", cause)
	case "55P03":
		return code, true, fmt.Errorf("another process is writing for long: try again when it has finished: %w", cause)
	case "28000", "28P01":
		return code, false, fmt.Errorf("see the user and the password of the database: %w", cause)
	case "3D000":
		return code, false, fmt.Errorf("make the database first, with the encoding UTF8: %w", cause)
	case "42501":
		return code, false, fmt.Errorf("let the user make tables in the database: %w", cause)
	}
	switch cause.Code[:2] {
	case "08", "40", "53", "57", "58": // connection, conflict, resources, an operator's doing, the system
		return code, true, cause
	}
	return code, false, cause
}

// connectionLost says whether err is a connection that could not be made, or ended, so that the next
// one may do.
func connectionLost(err error) bool {
	_, network := errors.AsType[net.Error](err)
	_, connect := errors.AsType[*pgconn.ConnectError](err)
	return network || connect || pgconn.SafeToRetry(err) ||
		errors.Is(err, driver.ErrBadConn) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
}
