package convert

import (
	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
)

// LayerOrderToProto returns the message of what transfer.Source.LayerOrder found.
func LayerOrderToProto(order []int, pairs []transfer.LayerPair, notes []string) *pb.FindLayerOrderResponse {
	m := &pb.FindLayerOrderResponse{Notes: notes}
	for _, i := range order {
		m.Order = append(m.Order, clamp32(i))
	}
	for _, p := range pairs {
		m.Pairs = append(m.Pairs, &pb.LayerPair{Inner: clamp32(p.Inner), Outer: clamp32(p.Outer), Points: clamp32(p.Points), Gap: p.Gap, Against: p.Against})
	}
	return m
}

// LayerOrderFromProto is the inverse of LayerOrderToProto for n garments; an order that
// is none of n garments is a *FieldError.
func LayerOrderFromProto(m *pb.FindLayerOrderResponse, n int) (order []int, pairs []transfer.LayerPair, notes []string, err error) {
	seen := make([]bool, n)
	for _, i := range m.GetOrder() {
		if i < 0 || int(i) >= n || seen[i] {
			return nil, nil, nil, fault("order", "%d is no index of %d garments, or comes twice", i, n)
		}
		seen[i] = true
		order = append(order, int(i))
	}
	if len(order) != n {
		return nil, nil, nil, fault("order", "has %d of %d garments", len(order), n)
	}
	for _, p := range m.GetPairs() {
		pairs = append(pairs, transfer.LayerPair{Inner: int(p.GetInner()), Outer: int(p.GetOuter()), Points: int(p.GetPoints()), Gap: p.GetGap(), Against: p.GetAgainst()})
	}
	return order, pairs, m.GetNotes(), nil
}
