"""What is handed on: pages typeset as PDF, tables for other programs, the test report for a customer, certificates."""
