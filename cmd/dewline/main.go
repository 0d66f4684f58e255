// Command dewline is the whole of Dewline in one binary: a subcommand for each job, each in a file of
// its own. It owns what the packages below it must not: flags, files, signals and the clock, and it is
// the one place that knows all of them and joins them.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // a small machine or container may have no time zones of its own

	"dewline"

	"github.com/alecthomas/kong"
)

// commands is the command line. A command is a struct whose fields are its flags and arguments, and
// whose Run method may take a context.Context, which ends when the process is told to, and a *streams.
type commands struct {
	Check    checkCommand    `cmd:"" help:"Check a fleet file and report everything that is wrong in it."`
	Props    propsCommand    `cmd:"" help:"Look up refrigerants: pressure-temperature tables, superheat and subcooling, states by the thousand."`
	Replay   replayCommand   `cmd:"" help:"Run recordings through the engine of the service and write the alerts."`
	Score    scoreCommand    `cmd:"" help:"Hold alerts against the truth: those of a file, or the engine's on invented fleets."`
	Demo     demoCommand     `cmd:"" help:"Run the whole service on an invented fleet."`
	Serve    serveCommand    `cmd:"" help:"Run the service: broker, ingest, store, analytics, alerts and pages in one process."`
	Gateway  gatewayCommand  `cmd:"" help:"Make, list, rotate and remove the credentials of gateways."`
	User     userCommand     `cmd:"" help:"Say who may sign in, and make tokens for programs."`
	Rejects  rejectsCommand  `cmd:"" help:"Show what arrived and could not be stored, and why."`
	Backup   backupCommand   `cmd:"" help:"Write everything that is kept into one file, also while the service runs."`
	Restore  restoreCommand  `cmd:"" help:"Put a backup in the place of what is kept, also while the service runs."`
	Bench    benchCommand    `cmd:"" help:"Measure the service on this machine."`
	Simulate simulateCommand `cmd:"" help:"Show what a fault does to a machine, or make an invented fleet with its readings."`
	Strings  stringsCommand  `cmd:"" help:"List what the pages say, to be translated, as a PO file."`
	Version  versionCommand  `cmd:"" help:"Say which version this is."`
}

// streams are the standard streams of the process.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

// The exit codes of the process.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2 // the command line makes no sense
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the process at once
	code := run(ctx, os.Args[1:], &streams{os.Stdin, os.Stdout, os.Stderr})
	stop()
	os.Exit(code)
}

// run does what the arguments ask for and returns the exit code.
func run(ctx context.Context, args []string, std *streams) int {
	var cli commands
	parser := kong.Must(&cli,
		kong.Name("dewline"),
		kong.Description("Watches installed air conditioners, heat pumps and refrigeration systems by their superheat and subcooling."),
		kong.Writers(std.out, std.err),
		kong.WithHyphenPrefixedParameters(true), // --from "-40 degC"
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Bind(std),
	)
	command, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(std.err, "dewline: %v (see dewline --help)\n", err)
		return exitUsage
	}
	if err := command.Run(); err != nil {
		report(std.err, err)
		return exitFailed
	}
	return exitDone
}

// report writes why a command failed. The problems of a fleet file say where they are themselves.
func report(w io.Writer, err error) {
	if problems, ok := errors.AsType[dewline.FleetErrors](err); ok {
		fmt.Fprintln(w, problems)
		return
	}
	fmt.Fprintf(w, "dewline: %v\n", err)
}
