package main

import (
	"fmt"
	"os"

	"dewline"
)

type checkCommand struct {
	Fleet string `arg:"" name:"FLEET.yaml" help:"The fleet file."`
}

func (c *checkCommand) Run(std *streams) error {
	fleet, err := readFleet(c.Fleet)
	if err != nil {
		return err
	}
	refrigerants := make(map[string]bool)
	for _, s := range fleet.Systems() {
		refrigerants[s.Refrigerant] = true
	}
	fmt.Fprintf(std.out, "%s: ok, %s with %s at %s of %s\n", c.Fleet, counted(len(fleet.Systems()), "system"),
		counted(len(refrigerants), "refrigerant"), counted(len(fleet.Sites), "site"), counted(len(fleet.Owners), "owner"))
	return nil
}

// readFleet reads the fleet file at path; every command that takes one reads it here.
func readFleet(path string) (*dewline.Fleet, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the fleet file: %w", err)
	}
	return dewline.ReadFleet(path, data, refrigerants{})
}

// counted writes a number of things.
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
