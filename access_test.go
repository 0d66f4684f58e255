package dewline

import (
	"context"
	"testing"
)

func TestRights(t *testing.T) {
	all := []Right{Anyone, ReadMachines, ReadCompany, WorkOnAlerts, WorkOnVisits, SetUp, GrantAccess}
	want := map[Role]string{
		RoleAdministrator: "arcwvsg", RoleManager: "arcwvs-", RoleDispatcher: "arcwv--", RoleTechnician: "arc-v--",
		RoleOwner: "ar-----", RoleProgram: "ar-----", "": "a------", "made-up": "a------",
	}
	for role, line := range want {
		for i, right := range all {
			if got := (Visitor{Role: role}).May(right); got != (line[i] != '-') {
				t.Errorf("%q may %s: %v", role, right, got)
			}
			// Nobody who sees one owner's machines has to do with the service company's own.
			companys := right == ReadCompany || right == SetUp || right == GrantAccess
			if got := (Visitor{Role: role, Owner: "harbour"}).May(right); got != (line[i] != '-' && !companys) {
				t.Errorf("%q of an owner may %s: %v", role, right, got)
			}
		}
	}
	for _, role := range Roles() {
		if _, ok := want[role]; !ok {
			t.Errorf("the rights of %s are not tested", role)
		}
	}
}

func TestSees(t *testing.T) {
	for _, tt := range []struct {
		visitor Visitor
		owner   string
		want    bool
	}{
		{Visitor{Role: RoleDispatcher}, "harbour", true},
		{Visitor{Role: RoleDispatcher, Owner: "harbour"}, "harbour", true},
		{Visitor{Role: RoleDispatcher, Owner: "harbour"}, "mill", false},
		{Visitor{Role: RoleOwner, Owner: "harbour"}, "harbour", true},
		{Visitor{Role: RoleOwner, Owner: "harbour"}, "mill", false},
		{Visitor{Role: RoleOwner, Owner: "harbour"}, "", false},
		{Visitor{Role: RoleOwner}, "", false}, // an owner without an owner sees nothing at all
		{Visitor{Role: RoleOwner}, "harbour", false},
		{Visitor{}, "harbour", false},
		{VisitorOf(context.Background()), "harbour", false},
		{VisitorOf(WithVisitor(context.Background(), Visitor{Role: RoleTechnician})), "harbour", true},
	} {
		if got := tt.visitor.Sees(tt.owner); got != tt.want {
			t.Errorf("%+v sees what belongs to %q: %v", tt.visitor, tt.owner, got)
		}
	}
}

func TestFleetSeen(t *testing.T) {
	f := NewFleet([]Owner{{ID: "harbour"}, {ID: "mill"}}, []Site{
		{ID: "pier", Owner: "harbour", Systems: []System{{ID: "pier/a"}}},
		{ID: "loft", Owner: "mill", Systems: []System{{ID: "loft/b"}}},
	})
	if got := (Visitor{Role: RoleTechnician}).FleetSeen(f); got != f {
		t.Error("the company's own people see another fleet")
	}
	seen := Visitor{Role: RoleOwner, Owner: "harbour"}.FleetSeen(f)
	_, own := seen.System("pier/a")
	_, other := seen.System("loft/b")
	if !own || other || len(seen.Owners) != 1 || len(seen.Sites) != 1 || len(seen.Systems()) != 1 {
		t.Errorf("an owner sees %+v", seen)
	}
	if got := (Visitor{}).FleetSeen(f); len(got.Owners)+len(got.Sites)+len(got.Systems()) != 0 {
		t.Errorf("a stranger sees %+v", got)
	}
}
