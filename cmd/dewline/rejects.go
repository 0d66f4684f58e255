package main

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"text/tabwriter"

	"dewline"
	"dewline/alerts/sqlstore"
)

// rejectsCommand shows what arrived and could not be stored.
type rejectsCommand struct {
	Data   string `required:"" placeholder:"DIR" help:"The service's data folder."`
	Reason string `placeholder:"REASON" help:"Only those of this reason."`
	System string `placeholder:"SITE/SYSTEM" help:"Only those of this system."`
	Limit  int    `default:"50" help:"At most so many, newest first (default ${default})."`
	JSON   bool   `name:"json" help:"Write them as JSON."`
}

// Run lists the rejects.
func (c *rejectsCommand) Run(ctx context.Context, std *streams) error {
	if c.Limit < 1 {
		return fmt.Errorf("--limit %d: give at least 1", c.Limit)
	}
	reason := dewline.Reason(c.Reason)
	if reason != "" && !slices.Contains(dewline.Reasons(), reason) {
		return fmt.Errorf("there is no reason %q; they are %v", c.Reason, dewline.Reasons())
	}
	store, err := openDatabase(ctx, c.Data, sqlstore.Options{})
	if err != nil {
		return err
	}
	defer store.Close()
	counts, err := store.CountRejects(ctx)
	if err != nil {
		return err
	}
	list, err := store.ReadRejects(ctx, dewline.RejectFilter{Reason: reason, System: dewline.SystemID(c.System)}, c.Limit)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(std.out).Encode(map[string]any{"counts": counts, "rejects": list})
	}
	table := tabwriter.NewWriter(std.out, 0, 0, 2, ' ', 0)
	for _, r := range slices.Sorted(maps.Keys(counts)) {
		if counts[r] > 0 {
			fmt.Fprintf(table, "%s\t%d since the data folder was made\n", r, counts[r])
		}
	}
	fmt.Fprintln(table)
	for _, r := range list {
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", stamp(r.Received), r.Reason, r.System, r.Name, r.Detail)
	}
	return table.Flush()
}
