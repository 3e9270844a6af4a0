package trace

import "errors"

var (
	errOpenQuote  = errors.New("a quoted field does not end on its line")
	errAfterQuote = errors.New("text between a closing quote and the next comma")
)

// split cuts a line into fields, which stay parts of the line: quotes are
// taken off in place.
func split(fields [][]byte, line []byte) ([][]byte, error) {
	for {
		if len(line) > 0 && line[0] == '"' {
			field, rest, more, err := quoted(line)
			if err != nil {
				return fields, err
			}
			fields, line = append(fields, field), rest
			if !more {
				return fields, nil
			}
			continue
		}
		i := 0 // fields are short: a call for each costs more than looking
		for i < len(line) && line[i] != ',' {
			i++
		}
		if i == len(line) {
			return append(fields, line), nil
		}
		fields, line = append(fields, line[:i]), line[i+1:]
	}
}

// quoted takes one quoted field off the line's front; more says that a comma
// followed it. A doubled quote stands for one.
func quoted(line []byte) (field, rest []byte, more bool, err error) {
	n := 0
	for i := 1; i < len(line); i++ {
		if line[i] != '"' {
			line[n] = line[i]
			n++
			continue
		}
		if i+1 == len(line) {
			return line[:n], nil, false, nil
		}
		switch line[i+1] {
		case '"':
			line[n] = '"'
			n++
			i++
		case ',':
			return line[:n], line[i+2:], true, nil
		default:
			return nil, nil, false, errAfterQuote
		}
	}
	return nil, nil, false, errOpenQuote
}
