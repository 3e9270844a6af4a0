package main

import (
	"context"
	"errors"

	"dewline/configs"
)

func checkProbes(context.Context, *configs.Config, stdio) error { return errors.New("not built yet") }
