package dewline

import (
	"context"
	"testing"
)

func TestRights(t *testing.T) {
	all := []Right{ReadMachines, WorkOnAlerts, WorkOnVisits, SetUp, GrantAccess}
	want := map[Role]string{
		RoleAdministrator: "ywvsg", RoleManager: "ywvs-", RoleDispatcher: "ywv--", RoleTechnician: "y-v--",
		RoleOwner: "y----", RoleProgram: "y----", "": "-----", "made-up": "-----",
	}
	for role, line := range want {
		for i, right := range all {
			if got := (Visitor{Role: role}).May(right); got != (line[i] != '-') {
				t.Errorf("%q may %s: %v", role, right, got)
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
