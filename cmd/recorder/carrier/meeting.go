//go:build js

package main

import (
	"context"
	"errors"

	"countback/cmd/recorder/phone"
	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/sync/pair"
)

// met is the answer to a code.
type met struct {
	Recover bool   `json:"recover"`
	Digits  string `json:"digits,omitzero"`
	Shop    string `json:"shop"`
	Desk    string `json:"desk,omitzero"`
	Keeper  string `json:"keeper,omitzero"`
}

// greet brings a code to the desk.
func (c *carrier) greet(ctx context.Context, text, name string) (met, error) {
	link, err := pair.ParseLink(text)
	if err != nil {
		return met{}, &phone.Refusal{Message: "that isn't the code of a desk", Field: "link", Hint: "scan the code that countback pair shows, or copy its whole link"}
	}
	if name == "" {
		name = phone.Role
	}
	if err := event.Check(&event.Shop{Name: name}); err != nil {
		return met{}, &phone.Refusal{Message: "that is no name for a phone", Field: "name", Hint: "give a short one, such as cart"}
	}
	k, err := phone.ReadKey(ctx, c.db)
	if err != nil {
		return met{}, err
	}
	if k == nil {
		return met{}, errNotMember
	}
	if link.Recover {
		return c.greetNew(ctx, link, k)
	}
	client := c.client()
	m, err := client.Meet(ctx, link.Code, k, name, phone.Role)
	if err != nil {
		return met{}, err
	}
	go c.join(context.WithoutCancel(ctx), m, phone.Joining{Shop: m.Shop, ShopName: m.ShopName, Desk: m.Desk, Base: link.Base, Name: name})
	return met{Digits: m.Digits(), Shop: m.ShopName}, nil
}

// join waits until the digits were typed at the desk, and lets the page sign the first event.
func (c *carrier) join(ctx context.Context, m *pair.Meeting, j phone.Joining) {
	device, err := m.Endorsement(ctx, j.Name, phone.Role)
	if err == nil {
		j.Device = &device
		err = phone.KeepJoining(ctx, c.db, j)
	}
	if err != nil {
		c.post.tell("refused", refusal(err))
		return
	}
	c.post.say(map[string]any{"told": "endorsed"})
}

// greetNew brings the code of a new desk, which asks to be the keeper in the place of one that was lost.
func (c *carrier) greetNew(ctx context.Context, link pair.Link, k *key.Key) (met, error) {
	f, err := phone.ReadFace(ctx, c.db)
	if err != nil {
		return met{}, err
	}
	if f == nil || f.Shop.ID == "" {
		return met{}, errNotMember
	}
	members, err := chain.Load(ctx, c.store, f.Shop.ID)
	if err != nil {
		return met{}, err
	}
	own, ok := members.Get(k.Device())
	if !ok || own.Revoked {
		return met{}, pair.ErrMember
	}
	m, err := c.client().Meet(ctx, link.Code, k, own.Name, own.Role)
	if err != nil {
		return met{}, err
	}
	if m.Shop != f.Shop.ID {
		return met{}, &phone.Refusal{Message: "that desk is of another shop, " + m.ShopName, Field: "link"}
	}
	keeper, _ := members.Get(members.Keeper())
	c.mu.Lock()
	defer c.mu.Unlock()
	c.meet, c.lost, c.wrong = m, keeper.Device, 0
	return met{Recover: true, Shop: m.ShopName, Desk: m.Desk, Keeper: keeper.Name}, nil
}

// endorse makes the new desk the keeper, if the digits that were typed are those that it shows. Wrong twice ends it.
func (c *carrier) endorse(ctx context.Context, typed string) error {
	c.mu.Lock()
	m, lost := c.meet, c.lost
	right := m != nil && pair.Typed(typed) == m.Digits()
	if m != nil && !right {
		c.wrong++
	}
	over := c.wrong > 1
	if right || over {
		c.meet = nil
	}
	c.mu.Unlock()
	switch {
	case m == nil:
		return &phone.Refusal{Message: "no desk is being made the keeper", Hint: "scan the new desk's code first"}
	case over:
		return errors.Join(&phone.Refusal{Message: "the digits were wrong twice, which ends the code", Hint: "nothing was changed; make a new code at the new desk", Kind: "ended"}, m.Refuse(ctx))
	case !right:
		return &phone.Refusal{Message: "these aren't the digits that the new desk shows", Hint: "look again, once more is allowed", Field: "digits", Kind: "digits"}
	}
	k, err := phone.ReadKey(ctx, c.db)
	if err != nil {
		return err
	}
	if err := m.Recover(ctx, k, lost); err != nil {
		return err
	}
	c.retry()
	return nil
}
