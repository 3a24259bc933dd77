"""The script that Streamlit runs at every touch of the page."""

from fitcheck.page.steps import show_page

show_page()
