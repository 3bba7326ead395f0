"""Plan sheet, statements, calendar file, workbook, blank log sheet."""
