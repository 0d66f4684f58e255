package storetest

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver "pgx"
)

// startServer makes a database cluster in a new folder, serves it on a socket there, prints the
// folder, and takes everything down when its input ends: also when the tests are killed. Texts in
// its databases are sorted as in English unless a column says otherwise.
const startServer = `
set -eu
dir=$(mktemp -d /tmp/dewline-pg-XXXXXX)
trap 'rm -rf "$dir"' EXIT
trap '' INT TERM HUP # but not this shell: the end of its input tells it
"$1/initdb" -D "$dir/data" -U dewline --auth=trust --encoding=UTF8 --locale=C --no-sync >"$dir/log" 2>&1 || { cat "$dir/log" >&2; exit 1; }
"$1/postgres" -D "$dir/data" -k "$dir" -c listen_addresses= -c max_connections=200 $2 >>"$dir/log" 2>&1 &
echo "$dir"
cat >/dev/null
kill -QUIT $!
wait || true
`

// serverOptions leave out what only matters when the power is cut, or after hours.
const serverOptions = "-c fsync=off -c full_page_writes=off -c synchronous_commit=off -c autovacuum=off -c wal_level=minimal -c max_wal_senders=0"

// postgres is the server of the tests of one process, started for the first that needs it.
var postgres struct {
	start   sync.Once
	err     error
	alive   io.Closer // its input, open until this process ends
	address string
	admin   *sql.DB
	places  atomic.Int64
}

var errNoPostgres = errors.New("there is no PostgreSQL here (Debian: postgresql)")

func startPostgres() error {
	bin, err := postgresFolder()
	if err != nil {
		return err
	}
	args := []string{"sh", "-c", startServer, "sh", bin, serverOptions}
	if os.Geteuid() == 0 { // as which it refuses to run
		args = append([]string{"runuser", "-u", "postgres", "--"}, args...)
	}
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Dir = "/"
	cmd.Stderr = os.Stderr
	if postgres.alive, err = cmd.StdinPipe(); err != nil {
		return err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	folder, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		return fmt.Errorf("PostgreSQL does not start: %w", err)
	}
	socket := "?host=" + url.QueryEscape(strings.TrimSpace(folder))
	first, err := sql.Open("pgx", "postgres://dewline@/postgres"+socket)
	if err != nil {
		return err
	}
	defer first.Close()
	if err := waitForServer(first); err != nil {
		return err
	}
	if _, err := first.Exec(`CREATE DATABASE tests TEMPLATE template0 LOCALE_PROVIDER icu ICU_LOCALE 'en' LOCALE 'C'`); err != nil {
		return err
	}
	postgres.address = "postgres://dewline@/tests" + socket
	postgres.admin, err = sql.Open("pgx", postgres.address)
	return err
}

func postgresFolder() (string, error) {
	if initdb, err := exec.LookPath("initdb"); err == nil {
		initdb, err = filepath.EvalSymlinks(initdb)
		return filepath.Dir(initdb), err
	}
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if len(found) == 0 {
		return "", errNoPostgres
	}
	return filepath.Dir(slices.Max(found)), nil
}

func waitForServer(db *sql.DB) error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	for {
		err := db.PingContext(ctx)
		if err == nil || ctx.Err() != nil {
			return err
		}
		select { // it says nowhere else that it is ready
		case <-ctx.Done():
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// Postgres returns the address of a new empty place in a real PostgreSQL server, which lives as long as
// the tests of this process. It is a schema, which is all that Dewline asks for, and made sooner than
// a database. Without the program the test is skipped, or fails if DEWLINE_REQUIRE=1.
func Postgres(t testing.TB) string {
	t.Helper()
	postgres.start.Do(func() { postgres.err = startPostgres() })
	if errors.Is(postgres.err, errNoPostgres) && os.Getenv("DEWLINE_REQUIRE") != "1" {
		t.Skip(postgres.err)
	}
	must(t, postgres.err)
	place := fmt.Sprint("place", postgres.places.Add(1))
	_, err := postgres.admin.Exec(`CREATE SCHEMA ` + place)
	must(t, err)
	return postgres.address + "&search_path=" + place
}
