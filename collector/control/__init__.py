"""Pure rules of cooling, alarms and lost inputs. No clocks, sockets, files or logging in here."""
