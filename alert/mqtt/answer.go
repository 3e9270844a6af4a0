package mqtt

import (
	"context"
	"encoding/json"
	"time"

	"dewline/alert"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// receive judges a command on a goroutine of the library. Only those that are
// let in, and a few of those that are not, wait for their answer: junk in any
// number holds up nobody's command.
func (c *Client) receive(_ paho.Client, m paho.Message) {
	var r request
	err := errRetained
	if !m.Retained() {
		r.command, err = c.door.admit(m.Payload())
	}
	if err != nil {
		r.refused = err.Error()
		var ok bool
		if ok, r.others = c.refusals.pass(time.Now()); !ok {
			return
		}
		if len(c.requests) >= refusedWait { // the other places are for what is let in, once
			c.refusals.skip()
			return
		}
	}
	select {
	case c.requests <- r:
	default:
		c.refusals.skip()
	}
}

func (c *Client) answer(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case r := <-c.requests:
			c.showBoard()
			reply, err := json.Marshal(c.reply(ctx, r))
			if err != nil {
				continue // plain strings; cannot happen
			}
			if err := c.publish(ctx, "command/reply", false, reply); err != nil && ctx.Err() == nil {
				c.opt.Log.Warn("reply to a command not delivered", "err", err)
			}
		}
	}
}

func (c *Client) reply(ctx context.Context, r request) alert.Reply {
	cmd := r.command
	if r.refused != "" {
		c.opt.Log.Warn("command refused", "by", cmd.By, "action", cmd.Action, "why", r.refused, "others_before", r.others)
		if c.opt.OnRefused != nil {
			c.opt.OnRefused(cmd, r.refused)
		}
		return alert.Reply{ID: cmd.ID, Error: r.refused}
	}
	if c.opt.OnCommand == nil {
		return alert.Reply{ID: cmd.ID, Error: "commands are not carried out here"}
	}
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	reply := c.opt.OnCommand(ctx, cmd)
	reply.ID = cmd.ID
	return reply
}
