"""What an export is written as: tables for spreadsheets, CycloneDX, OpenMetrics; where it goes, and its signature.

Nothing is asked here: the renderers get what the jobs return.
"""
