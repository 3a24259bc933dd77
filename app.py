"""Opens the page: ``python app.py``, or ``streamlit run app.py``."""

from streamlit import runtime

if runtime.exists():  # under `streamlit run` this file is the page's script
    from fitcheck.page.steps import show_page

    show_page()
elif __name__ == "__main__":
    from fitcheck.page.launch import launch

    launch()
