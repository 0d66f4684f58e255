package scope

import (
	"context"

	"dewline"
)

// Enrolment keeps what is enrolled. It is the service company's own.
type Enrolment struct {
	Scope
	Of dewline.Enrolment
}

// Facts implements dewline.Enrolment.
func (e Enrolment) Facts() dewline.RefrigerantFacts { return e.Of.Facts() }

// FleetFile implements dewline.Enrolment.
func (e Enrolment) FleetFile(ctx context.Context) (dewline.FleetFile, error) {
	if err := must(ctx, dewline.SetUp, "the fleet file"); err != nil {
		return dewline.FleetFile{}, err
	}
	return e.Of.FleetFile(ctx)
}

// PutFleetFile implements dewline.Enrolment. Whoever calls it records what was changed: a file does not
// say that.
func (e Enrolment) PutFleetFile(ctx context.Context, text []byte, version string) error {
	if err := must(ctx, dewline.SetUp, "change the fleet file"); err != nil {
		return err
	}
	return e.Of.PutFleetFile(ctx, text, version)
}

// Gateways keeps the credentials of gateways.
type Gateways struct {
	Scope
	dewline.Gateways
}

// AddGateway implements dewline.Gateways.
func (g Gateways) AddGateway(ctx context.Context, id dewline.GatewayID, now dewline.Millis) (string, error) {
	return g.password(ctx, id, "gateway credential made", func() (string, error) { return g.Gateways.AddGateway(ctx, id, now) })
}

// RotateGateway implements dewline.Gateways.
func (g Gateways) RotateGateway(ctx context.Context, id dewline.GatewayID, now dewline.Millis) (string, error) {
	return g.password(ctx, id, "gateway credential replaced", func() (string, error) { return g.Gateways.RotateGateway(ctx, id, now) })
}

// RemoveGateway implements dewline.Gateways.
func (g Gateways) RemoveGateway(ctx context.Context, id dewline.GatewayID) error {
	_, err := g.password(ctx, id, "gateway credential removed", func() (string, error) { return "", g.Gateways.RemoveGateway(ctx, id) })
	return err
}

// ListGateways implements dewline.Gateways.
func (g Gateways) ListGateways(ctx context.Context) ([]dewline.Gateway, error) {
	if err := must(ctx, dewline.SetUp, "gateways"); err != nil {
		return nil, err
	}
	return g.Gateways.ListGateways(ctx)
}

func (g Gateways) password(ctx context.Context, id dewline.GatewayID, what string, do func() (string, error)) (string, error) {
	if err := must(ctx, dewline.SetUp, "gateways"); err != nil {
		return "", err
	}
	password, err := do()
	if err == nil {
		g.record(ctx, string(id), what)
	}
	return password, err
}
