"""What people write: type sheet, sequence, tolerance, decision rule. Only `files` opens a file."""
